-- +goose Up

-- One row. incarnation is stamped when the database is created or restored;
-- writes grows with every transaction, so that a server notices at once when
-- somebody else has written or put another file in place.
CREATE TABLE meta (
    id          INTEGER PRIMARY KEY CHECK (id = 1),
    incarnation BLOB    NOT NULL,
    created_ms  INTEGER NOT NULL,
    writes      INTEGER NOT NULL
);
INSERT INTO meta VALUES (1, randomblob(16), CAST(unixepoch('subsec') * 1000 AS INTEGER), 0);

-- The register. Bodies of the book are JSON of the store's types.
CREATE TABLE machine (
    num INTEGER PRIMARY KEY,
    id  TEXT NOT NULL UNIQUE
);
CREATE TABLE agent (
    id            TEXT PRIMARY KEY,
    registered_ms INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE agent_machine (
    agent       TEXT    NOT NULL REFERENCES agent,
    machine_num INTEGER NOT NULL REFERENCES machine,
    PRIMARY KEY (agent, machine_num)
) WITHOUT ROWID;
CREATE TABLE book (
    kind TEXT NOT NULL,
    id   TEXT NOT NULL,
    body TEXT NOT NULL,
    PRIMARY KEY (kind, id)
) WITHOUT ROWID;
-- kg_per_revolution is calculated from feeds, course lengths and yarn counts.
CREATE TABLE card (
    id                TEXT PRIMARY KEY,
    kg_per_revolution REAL NOT NULL
) WITHOUT ROWID;
CREATE TABLE assignment (
    machine_num INTEGER NOT NULL REFERENCES machine,
    from_ms     INTEGER NOT NULL,
    order_id    TEXT    NOT NULL,
    card        TEXT    NOT NULL,
    quantity_kg REAL    NOT NULL,
    PRIMARY KEY (machine_num, from_ms)
) WITHOUT ROWID;

-- Streams of records. A stream lives for ever: its acked is what makes
-- repetition harmless.
CREATE TABLE stream (
    num          INTEGER PRIMARY KEY,
    id           BLOB    NOT NULL UNIQUE,
    agent        TEXT    NOT NULL REFERENCES agent,
    machine_num  INTEGER NOT NULL REFERENCES machine,
    acked        INTEGER NOT NULL,
    horizon      INTEGER NOT NULL,
    records      INTEGER NOT NULL,
    run          BLOB    NOT NULL,
    run_boot     BLOB    NOT NULL,
    run_boottime INTEGER NOT NULL,
    past_runs    BLOB    NOT NULL,
    frozen       TEXT    NOT NULL
);
CREATE TABLE head (
    stream BLOB    PRIMARY KEY,
    agent  TEXT    NOT NULL,
    seq    INTEGER NOT NULL
) WITHOUT ROWID;
CREATE TABLE boot (
    agent     TEXT    NOT NULL,
    id        BLOB    NOT NULL,
    offset_ns INTEGER NOT NULL,
    PRIMARY KEY (agent, id)
) WITHOUT ROWID;
CREATE TABLE stream_boot (
    stream_num INTEGER NOT NULL REFERENCES stream,
    idx        INTEGER NOT NULL,
    boot       BLOB    NOT NULL,
    PRIMARY KEY (stream_num, idx)
) WITHOUT ROWID;
-- kind is the field number in wire.proto, 0 = not known to the server that
-- stored it, + 256 for a coarse record.
CREATE TABLE record (
    stream_num INTEGER NOT NULL,
    seq        INTEGER NOT NULL,
    kind       INTEGER NOT NULL,
    crc        INTEGER NOT NULL,
    body       BLOB    NOT NULL,
    PRIMARY KEY (stream_num, seq)
) WITHOUT ROWID;
CREATE TABLE refused (
    stream_num  INTEGER NOT NULL,
    seq         INTEGER NOT NULL,
    reason      TEXT    NOT NULL,
    received_ms INTEGER NOT NULL,
    PRIMARY KEY (stream_num, seq)
) WITHOUT ROWID;

-- Kept sums. Instants are Unix ms UTC.
CREATE TABLE account (
    machine_num INTEGER PRIMARY KEY REFERENCES machine,
    heard       INTEGER NOT NULL,
    first_ms    INTEGER NOT NULL,
    last_ms     INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    stops       INTEGER NOT NULL,
    run_ms      INTEGER NOT NULL,
    stop_ms     INTEGER NOT NULL,
    unknown_ms  INTEGER NOT NULL,
    lost_min    INTEGER NOT NULL,
    lost_max    INTEGER NOT NULL,
    since_ms    INTEGER NOT NULL,
    doff_at     INTEGER NOT NULL,
    doffs       INTEGER NOT NULL,
    speed_revs  REAL    NOT NULL,
    speed_ms    REAL    NOT NULL,
    stream_num  INTEGER NOT NULL,
    open_stop   BLOB
);
CREATE TABLE life (
    machine_num INTEGER NOT NULL REFERENCES machine,
    id          BLOB    NOT NULL,
    per_rev     INTEGER NOT NULL,
    counted     INTEGER NOT NULL,
    min         INTEGER NOT NULL,
    max         INTEGER NOT NULL,
    min_ms      INTEGER NOT NULL,
    max_ms      INTEGER NOT NULL,
    lost_min    INTEGER NOT NULL,
    lost_max    INTEGER NOT NULL,
    PRIMARY KEY (machine_num, id, per_rev)
) WITHOUT ROWID;
CREATE TABLE stop (
    machine_num INTEGER NOT NULL REFERENCES machine,
    id          BLOB    NOT NULL,
    begin_ms    INTEGER, -- NULL while only the end is known
    end_ms      INTEGER, -- NULL while open
    latest_ms   INTEGER, -- latest instant at which it can have ended
    seen_ms     INTEGER, -- when it was last watched, where it may have ended unseen
    sure        INTEGER NOT NULL, -- the end was told
    cause       TEXT    NOT NULL,
    side        TEXT    NOT NULL,
    input       INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    PRIMARY KEY (machine_num, id)
) WITHOUT ROWID;
CREATE INDEX stop_begin ON stop (machine_num, begin_ms);
CREATE TABLE cause_count (
    machine_num INTEGER NOT NULL REFERENCES machine,
    cause       TEXT    NOT NULL,
    stops       INTEGER NOT NULL,
    PRIMARY KEY (machine_num, cause)
) WITHOUT ROWID;
CREATE TABLE gap (
    machine_num INTEGER NOT NULL REFERENCES machine,
    from_ms     INTEGER NOT NULL,
    to_ms       INTEGER NOT NULL,
    reason      TEXT    NOT NULL,
    PRIMARY KEY (machine_num, from_ms)
) WITHOUT ROWID;
CREATE TABLE rollup (
    grain_ms    INTEGER NOT NULL,
    machine_num INTEGER NOT NULL,
    start_ms    INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    run_ms      INTEGER NOT NULL,
    stop_ms     INTEGER NOT NULL,
    unknown_ms  INTEGER NOT NULL,
    stops       INTEGER NOT NULL,
    PRIMARY KEY (grain_ms, machine_num, start_ms)
) WITHOUT ROWID;
-- from_ms is the start of the assignment; the smallest integer stands for the
-- time before the first one.
CREATE TABLE assignment_count (
    machine_num INTEGER NOT NULL REFERENCES machine,
    from_ms     INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    PRIMARY KEY (machine_num, from_ms)
) WITHOUT ROWID;

CREATE TABLE creel_load (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    machine_num INTEGER NOT NULL REFERENCES machine,
    feed_group  TEXT    NOT NULL,
    cones       INTEGER NOT NULL,
    lot         TEXT    NOT NULL,
    cone_kg     REAL    NOT NULL,
    at_ms       INTEGER NOT NULL,
    revolutions INTEGER NOT NULL,
    request_id  TEXT UNIQUE,
    undone      INTEGER NOT NULL DEFAULT 0
);
CREATE INDEX creel_load_machine ON creel_load (machine_num, feed_group, id);

CREATE TABLE quarantine (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    agent       TEXT    NOT NULL,
    topic       TEXT    NOT NULL,
    reason      TEXT    NOT NULL,
    received_ms INTEGER NOT NULL,
    bytes       INTEGER NOT NULL,
    payload     BLOB    NOT NULL
);

-- Views for other programs; see VIEWS.md. Their columns stay.
CREATE VIEW v1_totals AS
SELECT m.id AS machine,
       coalesce(a.revolutions, 0) AS revolutions,
       coalesce(a.stops, 0) AS stops,
       CASE WHEN s.id IS NULL THEN 0 ELSE 1 END AS open_stops,
       coalesce(a.lost_min, 0) AS lost_min,
       coalesce(a.lost_max, 0) AS lost_max,
       coalesce((SELECT sum(n.revolutions * c.kg_per_revolution)
                 FROM assignment_count n
                 JOIN assignment j ON j.machine_num = n.machine_num AND j.from_ms = n.from_ms
                 JOIN card c ON c.id = j.card
                 WHERE n.machine_num = m.num), 0.0) AS kilos_counted,
       coalesce(a.run_ms, 0) AS run_ms,
       coalesce(a.stop_ms, 0) AS stop_ms,
       coalesce(a.unknown_ms, 0) AS unknown_ms,
       (SELECT json_group_object(cause, stops)
        FROM (SELECT cause, stops FROM cause_count WHERE machine_num = m.num ORDER BY cause)) AS stops_by_cause
FROM machine m
LEFT JOIN account a ON a.machine_num = m.num
LEFT JOIN stop s ON s.machine_num = m.num AND s.id = a.open_stop AND s.input = 1;

CREATE VIEW v1_record AS
SELECT m.id AS machine, lower(hex(s.id)) AS stream, r.seq AS seq
FROM record r
JOIN stream s ON s.num = r.stream_num
JOIN machine m ON m.num = s.machine_num;
