-- +goose Up
-- The life of a file: what sound it holds, what is odd about it, where it came from,
-- and where the ledger itself is kept safe.

-- The sound in a version, as JSON (package essence); '' if it was not looked for.
ALTER TABLE version ADD COLUMN sound TEXT COLLATE "C" NOT NULL DEFAULT '';

-- What is odd about a version's file, by the codes of package essence.
CREATE TABLE note (
    file   BIGINT NOT NULL,
    n      BIGINT NOT NULL,
    seq    BIGINT NOT NULL,
    code   TEXT COLLATE "C" NOT NULL,
    at     BIGINT NOT NULL,                 -- byte
    length BIGINT NOT NULL,                 -- bytes
    since  BIGINT NOT NULL,                 -- stretch of the recording, nanoseconds
    until  BIGINT NOT NULL,
    count  BIGINT NOT NULL,
    PRIMARY KEY (file, n, seq)
);
CREATE INDEX note_code ON note (code);

-- What was received from a recorder's stick or the like.
CREATE TABLE received (
    id       BIGINT PRIMARY KEY,
    source   TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    folder   BYTEA NOT NULL,
    at       BIGINT NOT NULL,
    by_name  TEXT COLLATE "C" NOT NULL,
    done     BIGINT NOT NULL DEFAULT 0      -- 1: it was told that the source may be erased
);

CREATE TABLE received_file (
    received BIGINT NOT NULL,
    name     BYTEA NOT NULL,              -- on the source
    clock    BIGINT NOT NULL,               -- what the recorder's clock said
    path     BYTEA NOT NULL,              -- in the set
    size     BIGINT NOT NULL,
    blake3   BYTEA NOT NULL,
    PRIMARY KEY (received, name)
);

-- Backups of the ledger: the newest on each store.
CREATE TABLE backup (
    store   TEXT COLLATE "C" PRIMARY KEY,
    at      BIGINT NOT NULL,
    events  BIGINT NOT NULL,                -- how many the record had
    bytes   BIGINT NOT NULL,
    trouble TEXT COLLATE "C" NOT NULL                   -- why the last try failed; '' if it didn't
);
