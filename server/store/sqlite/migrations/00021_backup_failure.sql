-- +goose Up

-- The newest backup that could not be taken, and why, until one is: at most one row.
CREATE TABLE backup_failure (
    id    INTEGER PRIMARY KEY CHECK (id = 1),
    at_ms INTEGER NOT NULL,
    error TEXT    NOT NULL
);
