-- +goose Up
-- The computers that share the ledger, as each said when it began: agreed is what all of
-- them must say alike, ahead by how many nanoseconds its clock is ahead of the database's, has
-- the stores that it found where they should be when it looked last, at seen_at.
CREATE TABLE host (
    name     TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    version  TEXT COLLATE "C" NOT NULL,
    agreed   TEXT COLLATE "C" NOT NULL,
    began_at BIGINT NOT NULL,
    ahead    BIGINT NOT NULL DEFAULT 0,
    has      TEXT COLLATE "C" NOT NULL DEFAULT '',
    seen_at  BIGINT NOT NULL
);
-- What each of them has read in an audit.
CREATE TABLE audit_host (
    audit BIGINT NOT NULL,
    host  TEXT COLLATE "C" NOT NULL,
    read  BIGINT NOT NULL,
    bytes BIGINT NOT NULL,
    PRIMARY KEY (audit, host)
);
