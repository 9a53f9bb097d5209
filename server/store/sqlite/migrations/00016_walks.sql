-- +goose Up

-- Walk that the person was called to with the task; empty = the task was a call of its own.
ALTER TABLE task_call ADD COLUMN walk TEXT NOT NULL DEFAULT '';
