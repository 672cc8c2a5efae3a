-- +goose Up
-- What statements need of all files and copies is added up as it changes. It is counted once
-- for a ledger that has files already.

-- Files under care by the stores shown to hold their version, and by a reading: names in
-- order, a blank between two.
CREATE TABLE extent (
    set_name TEXT NOT NULL,
    held     TEXT NOT NULL,
    read     TEXT NOT NULL,
    files    INTEGER NOT NULL,
    sound    INTEGER NOT NULL,               -- nanoseconds, as far as that is known
    unknown  INTEGER NOT NULL,               -- files whose length isn't
    PRIMARY KEY (set_name, held, read)
) STRICT, WITHOUT ROWID;

-- Items with files under care.
CREATE TABLE item (
    set_name TEXT NOT NULL,
    item     BLOB NOT NULL,
    files    INTEGER NOT NULL,
    PRIMARY KEY (set_name, item)
) STRICT, WITHOUT ROWID;

-- Files under care that no store was shown to hold, or one.
CREATE TABLE few (
    stores INTEGER NOT NULL,
    file   INTEGER NOT NULL,
    PRIMARY KEY (stores, file)
) STRICT, WITHOUT ROWID;

-- Copies by the minute since which they are as they are: see age.go.
CREATE TABLE age (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    what     TEXT NOT NULL,
    minute   INTEGER NOT NULL,
    files    INTEGER NOT NULL,
    PRIMARY KEY (store, set_name, what, minute)
) STRICT, WITHOUT ROWID;

INSERT INTO counter (name, value) SELECT 'files to count', 1 FROM log_head;

CREATE INDEX file_retired ON file (id) WHERE retired_at <> 0;

-- Open findings are counted from their index alone.
DROP INDEX finding_unsettled;
CREATE INDEX finding_unsettled ON finding (store, kind, urgency, file) WHERE settled = '';
