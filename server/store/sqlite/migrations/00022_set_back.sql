-- +goose Up

-- back_ms: by how much the server's clock was set back between the newest
-- reading of the machine and when a stream first spoke, as far as anybody saw it.
ALTER TABLE stream ADD COLUMN back_ms INTEGER NOT NULL DEFAULT 0;
