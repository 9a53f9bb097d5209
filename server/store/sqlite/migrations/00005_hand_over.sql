-- +goose Up

-- Of each counter life the newest raw reading and where it was read, so that a
-- new reader can go on from there, and the life before it. Widths of 0: none is
-- known. read_ms is Unix ms UTC, read_boot an index of stream read_stream.
ALTER TABLE life ADD COLUMN raw INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN ext INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN raw_bits INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN read_ms INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN read_stream INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN read_boot INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN read_boottime INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN prev BLOB NOT NULL DEFAULT x'';
ALTER TABLE life ADD COLUMN prev_per_rev INTEGER NOT NULL DEFAULT 0;
ALTER TABLE life ADD COLUMN prev_to INTEGER NOT NULL DEFAULT 0;

-- Lives that are counted on the number line of another one: add add_counts to
-- their extended counter.
CREATE TABLE life_join (
    machine_num INTEGER NOT NULL REFERENCES machine,
    id          BLOB    NOT NULL,
    per_rev     INTEGER NOT NULL,
    to_id       BLOB    NOT NULL,
    add_counts  INTEGER NOT NULL,
    PRIMARY KEY (machine_num, id, per_rev)
) WITHOUT ROWID;

-- The life that the machine's counter is in, and whether records were lost
-- just before.
ALTER TABLE account ADD COLUMN life BLOB NOT NULL DEFAULT x'';
ALTER TABLE account ADD COLUMN life_per_rev INTEGER NOT NULL DEFAULT 0;
ALTER TABLE account ADD COLUMN gone INTEGER NOT NULL DEFAULT 0;

-- Of the streams of one machine each is believed until the next one begins.
-- begin_ms: NULL where nothing was told yet. covers: what came before it is
-- accounted for by its first readings. fence_ms: nothing later is believed.
-- closed: no new counter lives are believed either.
ALTER TABLE stream ADD COLUMN begin_ms INTEGER;
ALTER TABLE stream ADD COLUMN covers INTEGER NOT NULL DEFAULT 0;
ALTER TABLE stream ADD COLUMN fence_ms INTEGER;
ALTER TABLE stream ADD COLUMN closed INTEGER NOT NULL DEFAULT 0;
UPDATE stream SET begin_ms = 0 WHERE records > 0;

-- Whose turn a machine is: that of the agent with the highest number.
ALTER TABLE agent_machine ADD COLUMN turn INTEGER NOT NULL DEFAULT 0;
