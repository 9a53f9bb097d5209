-- +goose Up

-- Alarms as they are. body is JSON of the server.
CREATE TABLE alarm (
    id   TEXT PRIMARY KEY,
    body TEXT NOT NULL
);

-- What happened to them, in the order it was heard.
CREATE TABLE alarm_act (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    request_id TEXT UNIQUE, -- NULL = nobody asked for it
    alarm      TEXT    NOT NULL,
    at_ms      INTEGER NOT NULL,
    what       TEXT    NOT NULL,
    from_state TEXT    NOT NULL,
    to_state   TEXT    NOT NULL,
    role       TEXT    NOT NULL,
    reason     TEXT    NOT NULL,
    told       TEXT    NOT NULL, -- a JSON list of who was told
    body       TEXT    NOT NULL  -- the alarm after it
);
CREATE INDEX alarm_act_at ON alarm_act (at_ms);

-- Tasks that fell due, each once.
CREATE TABLE task_call (
    task    TEXT PRIMARY KEY,
    machine TEXT    NOT NULL,
    person  TEXT    NOT NULL,
    at_ms   INTEGER NOT NULL
);
CREATE INDEX task_call_at ON task_call (at_ms);
