-- +goose Up
-- The life of a file: what sound it holds, what is odd about it, where it came from,
-- and where the ledger itself is kept safe.

-- The sound in a version, as JSON (package essence); '' if it was not looked for.
ALTER TABLE version ADD COLUMN sound TEXT NOT NULL DEFAULT '';

-- What is odd about a version's file, by the codes of package essence.
CREATE TABLE note (
    file   INTEGER NOT NULL,
    n      INTEGER NOT NULL,
    seq    INTEGER NOT NULL,
    code   TEXT NOT NULL,
    at     INTEGER NOT NULL,                 -- byte
    length INTEGER NOT NULL,                 -- bytes
    since  INTEGER NOT NULL,                 -- stretch of the recording, nanoseconds
    until  INTEGER NOT NULL,
    count  INTEGER NOT NULL,
    PRIMARY KEY (file, n, seq)
) STRICT, WITHOUT ROWID;
CREATE INDEX note_code ON note (code);

-- What was received from a recorder's stick or the like.
CREATE TABLE received (
    id       INTEGER PRIMARY KEY,
    source   TEXT NOT NULL,
    set_name TEXT NOT NULL,
    folder   BLOB NOT NULL,
    at       INTEGER NOT NULL,
    by_name  TEXT NOT NULL,
    done     INTEGER NOT NULL DEFAULT 0      -- 1: it was told that the source may be erased
) STRICT;

CREATE TABLE received_file (
    received INTEGER NOT NULL,
    name     BLOB NOT NULL,              -- on the source
    clock    INTEGER NOT NULL,               -- what the recorder's clock said
    path     BLOB NOT NULL,              -- in the set
    size     INTEGER NOT NULL,
    blake3   BLOB NOT NULL,
    PRIMARY KEY (received, name)
) STRICT, WITHOUT ROWID;

-- Backups of the ledger: the newest on each store.
CREATE TABLE backup (
    store   TEXT PRIMARY KEY,
    at      INTEGER NOT NULL,
    events  INTEGER NOT NULL,                -- how many the record had
    bytes   INTEGER NOT NULL,
    trouble TEXT NOT NULL                   -- why the last try failed; '' if it didn't
) STRICT;
