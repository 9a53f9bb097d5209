-- +goose Up

-- A job that is planned has not begun: from_ms is when it is expected, and nothing is
-- counted under it. Once somebody has said that it began, from_ms is that instant and
-- planned_ms what had been expected (NULL = it began by the clock).
ALTER TABLE assignment ADD COLUMN planned    INTEGER NOT NULL DEFAULT 0;
ALTER TABLE assignment ADD COLUMN planned_ms INTEGER;

-- Beginning that a tap on the end of a job brought (NULL = none).
ALTER TABLE task_tap ADD COLUMN began_ms INTEGER;
