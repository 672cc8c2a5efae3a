-- +goose Up
-- By what a service reports a copy, by the newest listing: a checksum of the whole file, or what
-- says less. '' where no service keeps it, and until the next listing.
ALTER TABLE instance ADD COLUMN reported_by TEXT NOT NULL DEFAULT '';
