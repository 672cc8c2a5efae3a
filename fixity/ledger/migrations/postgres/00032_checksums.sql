-- +goose Up
-- Checksums of a version by algorithms that services report besides digests, as words
-- "algorithm:hexadecimal", a blank after each; without a value, one is asked for that the next
-- reading of the version finds out.
ALTER TABLE version ADD COLUMN checksums TEXT COLLATE "C" NOT NULL DEFAULT '';
