-- +goose Up

-- Of each stream what was dropped of its oldest records: up to which one, how
-- many, and the SHA-256 over them, one after the other (see RETAIN.md).
-- buried: a tombstone was among them.
CREATE TABLE dropped (
    stream_num INTEGER PRIMARY KEY REFERENCES stream,
    last_seq   INTEGER NOT NULL,
    records    INTEGER NOT NULL,
    sum        BLOB    NOT NULL,
    buried     INTEGER NOT NULL
);

-- The kept sums of each machine as the dropped records alone give them. Sums
-- are counted again from here and the records that are left.
CREATE TABLE base_account (
    machine_num  INTEGER PRIMARY KEY REFERENCES machine,
    heard        INTEGER NOT NULL,
    first_ms     INTEGER NOT NULL,
    last_ms      INTEGER NOT NULL,
    revolutions  INTEGER NOT NULL,
    stops        INTEGER NOT NULL,
    run_ms       INTEGER NOT NULL,
    stop_ms      INTEGER NOT NULL,
    unknown_ms   INTEGER NOT NULL,
    lost_min     INTEGER NOT NULL,
    lost_max     INTEGER NOT NULL,
    since_ms     INTEGER NOT NULL,
    doff_at      INTEGER NOT NULL,
    doffs        INTEGER NOT NULL,
    speed_revs   REAL    NOT NULL,
    speed_ms     REAL    NOT NULL,
    stream_num   INTEGER NOT NULL,
    open_stop    BLOB,
    life         BLOB    NOT NULL,
    life_per_rev INTEGER NOT NULL,
    gone         INTEGER NOT NULL,
    inched       INTEGER NOT NULL,
    max_rpm      REAL    NOT NULL
);
CREATE TABLE base_life (
    machine_num   INTEGER NOT NULL REFERENCES machine,
    id            BLOB    NOT NULL,
    per_rev       INTEGER NOT NULL,
    counted       INTEGER NOT NULL,
    min           INTEGER NOT NULL,
    max           INTEGER NOT NULL,
    min_ms        INTEGER NOT NULL,
    max_ms        INTEGER NOT NULL,
    lost_min      INTEGER NOT NULL,
    lost_max      INTEGER NOT NULL,
    raw           INTEGER NOT NULL,
    ext           INTEGER NOT NULL,
    raw_bits      INTEGER NOT NULL,
    read_ms       INTEGER NOT NULL,
    read_stream   INTEGER NOT NULL,
    read_boot     INTEGER NOT NULL,
    read_boottime INTEGER NOT NULL,
    prev          BLOB    NOT NULL,
    prev_per_rev  INTEGER NOT NULL,
    prev_to       INTEGER NOT NULL,
    PRIMARY KEY (machine_num, id, per_rev)
) WITHOUT ROWID;
CREATE TABLE base_life_join (
    machine_num INTEGER NOT NULL REFERENCES machine,
    id          BLOB    NOT NULL,
    per_rev     INTEGER NOT NULL,
    to_id       BLOB    NOT NULL,
    add_counts  INTEGER NOT NULL,
    PRIMARY KEY (machine_num, id, per_rev)
) WITHOUT ROWID;
CREATE TABLE base_stop (
    machine_num INTEGER NOT NULL REFERENCES machine,
    id          BLOB    NOT NULL,
    begin_ms    INTEGER,
    end_ms      INTEGER,
    latest_ms   INTEGER,
    seen_ms     INTEGER,
    sure        INTEGER NOT NULL,
    cause       TEXT    NOT NULL,
    side        TEXT    NOT NULL,
    input       INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    PRIMARY KEY (machine_num, id)
) WITHOUT ROWID;
CREATE TABLE base_cause_count (
    machine_num INTEGER NOT NULL REFERENCES machine,
    cause       TEXT    NOT NULL,
    stops       INTEGER NOT NULL,
    PRIMARY KEY (machine_num, cause)
) WITHOUT ROWID;
CREATE TABLE base_gap (
    machine_num INTEGER NOT NULL REFERENCES machine,
    from_ms     INTEGER NOT NULL,
    to_ms       INTEGER NOT NULL,
    reason      TEXT    NOT NULL,
    PRIMARY KEY (machine_num, from_ms)
) WITHOUT ROWID;
CREATE TABLE base_rollup (
    grain_ms    INTEGER NOT NULL,
    machine_num INTEGER NOT NULL,
    start_ms    INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    run_ms      INTEGER NOT NULL,
    stop_ms     INTEGER NOT NULL,
    unknown_ms  INTEGER NOT NULL,
    stops       INTEGER NOT NULL,
    inched      INTEGER NOT NULL,
    PRIMARY KEY (grain_ms, machine_num, start_ms)
) WITHOUT ROWID;
CREATE TABLE base_assignment_count (
    machine_num INTEGER NOT NULL REFERENCES machine,
    from_ms     INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    PRIMARY KEY (machine_num, from_ms)
) WITHOUT ROWID;

-- Fine cells of before this instant, a whole hour, are only kept as hours.
ALTER TABLE meta ADD COLUMN fine_from_ms INTEGER NOT NULL DEFAULT -9000000000000000000;
