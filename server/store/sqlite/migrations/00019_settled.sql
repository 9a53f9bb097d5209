-- +goose Up

-- Sums of a machine that were settled as they stood (see RETAIN.md): of each of its
-- streams up to which record. The base holds what those gave, whether they are
-- still there or not. buried: a tombstone was among them.
CREATE TABLE settled (
    stream_num INTEGER PRIMARY KEY REFERENCES stream,
    last_seq   INTEGER NOT NULL,
    buried     INTEGER NOT NULL
);

-- When that was, and in words what the rules of then would have given instead.
CREATE TABLE settlement (
    machine_num INTEGER NOT NULL REFERENCES machine,
    at_ms       INTEGER NOT NULL,
    words       TEXT    NOT NULL,
    PRIMARY KEY (machine_num, at_ms)
) WITHOUT ROWID;
