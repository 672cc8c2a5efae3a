-- +goose Up
-- Indexes that nothing asks, or that are wider than what is asked, were a fifth of a large
-- ledger. What is due when is seen by going through a folder's copies, as each listing does;
-- only the few that are due ahead of all others are looked for in a whole store.
DROP INDEX instance_due;
CREATE INDEX instance_ahead ON instance (store, due_at) WHERE due_at < 0;
DROP INDEX file_fold;
DROP INDEX version_blake3;
CREATE INDEX version_blake3 ON version (substr(blake3, 1, 8));
DROP INDEX stray_file;
CREATE INDEX stray_file ON stray (file) WHERE file <> 0;
