-- +goose Up
-- The public halves of the keys that ever signed this record's checkpoints, each with the
-- event that says so: a checkpoint outlives the key that signed it.
CREATE TABLE record_key (
    public TEXT PRIMARY KEY,
    event  INTEGER NOT NULL
) STRICT;
