-- +goose Up

-- A load says what it was: change, out (the cones before had run out), tie (reserves
-- tied on) or beside (reserves that stand there); which places it took, as "3,4,7"
-- ('' = those due first), of how many; and the turns a cone lasts, as calculated then.
ALTER TABLE creel_load ADD COLUMN work       TEXT    NOT NULL DEFAULT 'change';
ALTER TABLE creel_load ADD COLUMN positions  TEXT    NOT NULL DEFAULT '';
ALTER TABLE creel_load ADD COLUMN places     INTEGER NOT NULL DEFAULT 0;
ALTER TABLE creel_load ADD COLUMN cone_cv    REAL    NOT NULL DEFAULT 0;
ALTER TABLE creel_load ADD COLUMN cone_turns REAL    NOT NULL DEFAULT 0;

-- What stands in every creel: the loads that were not taken back, read in order. Kept so
-- that nobody reads them all; see Stand in package store.
CREATE TABLE creel_position (
    machine_num INTEGER NOT NULL REFERENCES machine,
    feed_group  TEXT    NOT NULL,
    number      INTEGER NOT NULL, -- from 1
    load_id     INTEGER NOT NULL REFERENCES creel_load, -- of the running cone
    at          INTEGER NOT NULL, -- revolutions when it began to be drawn
    reserve_id  INTEGER REFERENCES creel_load, -- NULL = no reserve stands there
    tied        INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (machine_num, feed_group, number)
) WITHOUT ROWID;

-- The bias of rolls that were weighed, or of a yarn meter: measured over calculated.
CREATE TABLE creel_reading (
    id          INTEGER PRIMARY KEY AUTOINCREMENT,
    request_id  TEXT    NOT NULL UNIQUE,
    machine_num INTEGER NOT NULL REFERENCES machine,
    feed_group  TEXT    NOT NULL,
    lot         TEXT    NOT NULL,
    kind        TEXT    NOT NULL,
    ratio       REAL    NOT NULL,
    sd          REAL    NOT NULL,
    at_ms       INTEGER NOT NULL
);

-- What was learnt of the turns a cone lasts. events and newest say of how many loads and
-- readings it knows, and of the newest load. apart is JSON.
CREATE TABLE creel_learnt (
    machine_num INTEGER NOT NULL REFERENCES machine,
    feed_group  TEXT    NOT NULL,
    lot         TEXT    NOT NULL,
    mean        REAL    NOT NULL,
    sd          REAL    NOT NULL,
    noise       REAL    NOT NULL,
    walk        REAL    NOT NULL,
    weight      REAL    NOT NULL,
    seen        INTEGER NOT NULL,
    events      INTEGER NOT NULL,
    newest      INTEGER NOT NULL,
    apart       TEXT    NOT NULL,
    PRIMARY KEY (machine_num, feed_group, lot)
) WITHOUT ROWID;
