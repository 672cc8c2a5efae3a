-- +goose Up
-- The volume that a root lies on: the file system's own id, or a name of ours for one
-- without an id; '' until the root was seen.
ALTER TABLE store_set ADD COLUMN volume TEXT NOT NULL DEFAULT '';

-- The store whose copy of the file is this very file under another name; '' for a copy
-- of its own. Such a copy counts for nothing.
ALTER TABLE instance ADD COLUMN same_as TEXT NOT NULL DEFAULT '';
