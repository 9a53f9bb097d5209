-- +goose Up

-- The order in which the records of a machine were applied, where it has
-- several streams: from first_seq of stream_num on until the next row. With it
-- the kept sums can be counted again from the records, to the last digit.
CREATE TABLE applied (
    machine_num INTEGER NOT NULL REFERENCES machine,
    n           INTEGER NOT NULL,
    stream_num  INTEGER NOT NULL REFERENCES stream,
    first_seq   INTEGER NOT NULL,
    PRIMARY KEY (machine_num, n)
) WITHOUT ROWID;
INSERT INTO applied
    SELECT machine_num, 1, min(num), 1 FROM stream WHERE records > 0 GROUP BY machine_num HAVING count(*) = 1;

-- Records whose instants were moved into the bounds of what can be true when
-- they were received.
CREATE TABLE bounded (
    stream_num  INTEGER NOT NULL REFERENCES stream,
    seq         INTEGER NOT NULL,
    received_ns INTEGER NOT NULL,
    PRIMARY KEY (stream_num, seq)
) WITHOUT ROWID;

-- Verified backups of this database, newest last. taken_ms is the instant of
-- their content.
CREATE TABLE backup (
    taken_ms INTEGER PRIMARY KEY,
    file     TEXT    NOT NULL,
    bytes    INTEGER NOT NULL,
    records  INTEGER NOT NULL
);
