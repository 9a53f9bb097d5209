-- +goose Up

-- The newest prune that ended, by the server or by a command: one row. held are
-- machines of which older records stay, with the reasons, as JSON.
CREATE TABLE prune_run (
    id        INTEGER PRIMARY KEY CHECK (id = 1),
    at_ms     INTEGER NOT NULL,
    before_ms INTEGER,
    records   INTEGER NOT NULL,
    given     INTEGER NOT NULL,
    held      TEXT    NOT NULL,
    error     TEXT    NOT NULL
);
