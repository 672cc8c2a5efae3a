-- +goose Up
-- A set that joined a store later and is still being filled, and when its last file arrived.
ALTER TABLE store_set ADD COLUMN filling BIGINT NOT NULL DEFAULT 0;
ALTER TABLE store_set ADD COLUMN arrived_at BIGINT NOT NULL DEFAULT 0;

-- When the file's inode had last changed as it was read; 0 where that isn't known or
-- doesn't stay the same from mount to mount.
ALTER TABLE instance ADD COLUMN inode_at BIGINT NOT NULL DEFAULT 0;

-- Copies that a listing made due for their inode alone.
ALTER TABLE shard ADD COLUMN touched BIGINT NOT NULL DEFAULT 0;
