-- +goose Up
-- Whether the file's version is what one reading of this copy gave, and nothing else stood
-- behind it when the file was taken in. Of files that were taken in before this isn't known.
ALTER TABLE instance ADD COLUMN sole INTEGER NOT NULL DEFAULT 0;
