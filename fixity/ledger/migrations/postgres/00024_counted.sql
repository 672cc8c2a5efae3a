-- +goose Up
-- What statements need of all files and copies is added up as it changes. It is counted once
-- for a ledger that has files already.

-- Files under care by the stores shown to hold their version, and by a reading: names in
-- order, a blank between two.
CREATE TABLE extent (
    set_name TEXT COLLATE "C" NOT NULL,
    held     TEXT COLLATE "C" NOT NULL,
    read     TEXT COLLATE "C" NOT NULL,
    files    BIGINT NOT NULL,
    sound    BIGINT NOT NULL,               -- nanoseconds, as far as that is known
    unknown  BIGINT NOT NULL,               -- files whose length isn't
    PRIMARY KEY (set_name, held, read)
);

-- Items with files under care.
CREATE TABLE item (
    set_name TEXT COLLATE "C" NOT NULL,
    item     BYTEA NOT NULL,
    files    BIGINT NOT NULL,
    PRIMARY KEY (set_name, item)
);

-- Files under care that no store was shown to hold, or one.
CREATE TABLE few (
    stores BIGINT NOT NULL,
    file   BIGINT NOT NULL,
    PRIMARY KEY (stores, file)
);

-- Copies by the minute since which they are as they are: see age.go.
CREATE TABLE age (
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    what     TEXT COLLATE "C" NOT NULL,
    minute   BIGINT NOT NULL,
    files    BIGINT NOT NULL,
    PRIMARY KEY (store, set_name, what, minute)
);

INSERT INTO counter (name, value) SELECT 'files to count', 1 FROM log_head;

CREATE INDEX file_retired ON file (id) WHERE retired_at <> 0;

-- Open findings are counted from their index alone.
DROP INDEX finding_unsettled;
CREATE INDEX finding_unsettled ON finding (store, kind, urgency, file) WHERE settled = '';
