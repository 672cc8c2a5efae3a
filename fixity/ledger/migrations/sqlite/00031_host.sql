-- +goose Up
-- The computers that share the ledger, as each said when it began: agreed is what all of
-- them must say alike, ahead by how many nanoseconds its clock is ahead of the database's, has
-- the stores that it found where they should be when it looked last, at seen_at.
CREATE TABLE host (
    name     TEXT NOT NULL PRIMARY KEY,
    version  TEXT NOT NULL,
    agreed   TEXT NOT NULL,
    began_at INTEGER NOT NULL,
    ahead    INTEGER NOT NULL DEFAULT 0,
    has      TEXT NOT NULL DEFAULT '',
    seen_at  INTEGER NOT NULL
) STRICT;
-- What each of them has read in an audit.
CREATE TABLE audit_host (
    audit INTEGER NOT NULL,
    host  TEXT NOT NULL,
    read  INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    PRIMARY KEY (audit, host)
) STRICT;
