-- +goose Up

-- Check sum of the newest dropped record of a stream, so that its journal is still
-- known when no record is left; NULL for a coarse one, and in rows of before.
ALTER TABLE dropped ADD COLUMN crc INTEGER;
