-- +goose Up

-- Loading plans as they were made. base and next are JSON lists of the
-- assignments to come: as they stood, and as the plan has them. body is JSON
-- of the floor.
CREATE TABLE loading_plan (
    id         INTEGER PRIMARY KEY AUTOINCREMENT,
    made_ms    INTEGER NOT NULL,
    state      TEXT    NOT NULL,
    applied_ms INTEGER, -- NULL = never
    undone_ms  INTEGER, -- NULL = never
    base       TEXT    NOT NULL,
    next       TEXT    NOT NULL,
    body       TEXT    NOT NULL
);
