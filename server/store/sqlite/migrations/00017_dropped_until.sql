-- +goose Up

-- The newest instant of the dropped records of a stream, in Unix ms: a record of
-- after it that bears the number of a dropped one is another record. Rows of
-- before know none.
ALTER TABLE dropped ADD COLUMN until_ms INTEGER NOT NULL DEFAULT 9000000000000000000;
