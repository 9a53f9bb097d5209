-- +goose Up

-- What was measured of a reading, beside the ratio by the card of then: kilos of rolls or
-- metres, over so many turns, so that it can be compared anew when the card is put right.
-- Of rolls: how many, and the number of the last of them (0 = not known). Rows of before
-- have 0 turns.
ALTER TABLE creel_reading ADD COLUMN turns     INTEGER NOT NULL DEFAULT 0;
ALTER TABLE creel_reading ADD COLUMN measured  REAL    NOT NULL DEFAULT 0;
ALTER TABLE creel_reading ADD COLUMN rolls     INTEGER NOT NULL DEFAULT 0;
ALTER TABLE creel_reading ADD COLUMN roll      INTEGER NOT NULL DEFAULT 0;
ALTER TABLE creel_reading ADD COLUMN undone_ms INTEGER; -- NULL = it stands
CREATE INDEX creel_reading_at ON creel_reading (at_ms);
CREATE INDEX creel_reading_roll ON creel_reading (machine_num, roll) WHERE roll > 0;
CREATE INDEX creel_reading_undone ON creel_reading (undone_ms) WHERE undone_ms IS NOT NULL;

-- Run-outs that were told, and cones changed late: whether changes are believed hangs on
-- both, so they are kept with the rest.
ALTER TABLE creel_learnt ADD COLUMN outs INTEGER NOT NULL DEFAULT 0;
ALTER TABLE creel_learnt ADD COLUMN late INTEGER NOT NULL DEFAULT 0;
