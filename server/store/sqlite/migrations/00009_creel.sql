-- +goose Up

-- What people did about tasks, in the order it was heard. An undo names no act:
-- it takes the newest one of the task back.
CREATE TABLE task_tap (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    request_id TEXT    NOT NULL UNIQUE,
    task       TEXT    NOT NULL,
    act        TEXT    NOT NULL,
    machine    TEXT    NOT NULL,
    at_ms      INTEGER NOT NULL, -- of the tap
    heard_ms   INTEGER NOT NULL,
    load_id    INTEGER -- written by it, or taken back; NULL = none
);
CREATE INDEX task_tap_task ON task_tap (task, id);
CREATE INDEX task_tap_heard ON task_tap (heard_ms);

-- Yarn between store and machines: above 0 to the machine, below 0 back.
CREATE TABLE lot_move (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    request_id TEXT    NOT NULL UNIQUE,
    lot        TEXT    NOT NULL,
    machine    TEXT    NOT NULL,
    kg         REAL    NOT NULL,
    at_ms      INTEGER NOT NULL
);
CREATE INDEX lot_move_lot ON lot_move (lot, machine);

-- A lot let onto a machine whose card names another one.
CREATE TABLE lot_release (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    request_id TEXT    NOT NULL UNIQUE,
    lot        TEXT    NOT NULL,
    machine    TEXT    NOT NULL,
    role       TEXT    NOT NULL,
    reason     TEXT    NOT NULL,
    at_ms      INTEGER NOT NULL
);
