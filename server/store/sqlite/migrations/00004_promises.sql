-- +goose Up

-- Forecasts as they were told, and what became of them. minutes is a JSON list
-- of working minutes, the middles of as many equally likely parts of the law.
CREATE TABLE kept_forecast (
    order_id      TEXT    NOT NULL,
    occasion      TEXT    NOT NULL,
    made_ms       INTEGER NOT NULL,
    article       TEXT    NOT NULL,
    structure     TEXT    NOT NULL,
    quantity_kg   REAL    NOT NULL,
    remaining_kg  REAL    NOT NULL,
    promise_ms    INTEGER, -- NULL = no date was promised
    miss_chance   REAL    NOT NULL,
    minutes       TEXT    NOT NULL,
    machine       TEXT    NOT NULL, -- empty = several
    raw           TEXT    NOT NULL, -- JSON of what the next forecasts learn from
    ended_ms      INTEGER, -- NULL while nothing has happened
    ended_minutes REAL,
    void          TEXT    NOT NULL DEFAULT '',
    PRIMARY KEY (order_id, occasion)
) WITHOUT ROWID;
CREATE INDEX kept_forecast_made ON kept_forecast (made_ms);
