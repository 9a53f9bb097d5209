-- +goose Up

-- met_ms: when a stream first spoke, by the server's clock (NULL: by an older
-- version). vague: its begin is by a clock that nobody had checked. late: a
-- stream that takes over from it was known before it. buried: it has lost
-- records.
ALTER TABLE stream ADD COLUMN met_ms INTEGER;
ALTER TABLE stream ADD COLUMN vague INTEGER NOT NULL DEFAULT 0;
ALTER TABLE stream ADD COLUMN late INTEGER NOT NULL DEFAULT 0;
ALTER TABLE stream ADD COLUMN buried INTEGER NOT NULL DEFAULT 0;
UPDATE stream SET buried = EXISTS (SELECT 1 FROM record WHERE stream_num = num AND kind & 255 = 17);

-- how 0: the record cannot be true. 1: another reader tells of it. 2: as 1,
-- but nobody can tell of how much of it: its counts are bounds.
ALTER TABLE refused ADD COLUMN how INTEGER NOT NULL DEFAULT 0;

-- The newest word of a speed that the machine does not exceed, 0 = none.
ALTER TABLE account ADD COLUMN max_rpm REAL NOT NULL DEFAULT 0;
