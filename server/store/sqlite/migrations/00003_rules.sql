-- +goose Up

-- By which rules the records from here on were booked. Sums booked by other
-- rules than today's are not counted again to the last digit.
ALTER TABLE applied ADD COLUMN rules INTEGER NOT NULL DEFAULT 1;
