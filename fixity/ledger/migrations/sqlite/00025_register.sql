-- +goose Up
-- The archive's own register, as it was read: a version for each reading that showed other
-- rows than the one before. lines says which row stands in which line: runs of line, first row
-- and how many. held is the digest of all rows in their lines, columns the fields with the
-- words of the header, as JSON.
CREATE TABLE register_version (
    n        INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    by_name  TEXT NOT NULL,
    source   TEXT NOT NULL,
    sheet    TEXT NOT NULL,
    columns  TEXT NOT NULL,
    file     BLOB NOT NULL,
    held     BLOB NOT NULL,
    lines    TEXT NOT NULL,
    rows     INTEGER NOT NULL,
    added    INTEGER NOT NULL,
    deleted  INTEGER NOT NULL,
    changed  INTEGER NOT NULL,
    moved    INTEGER NOT NULL
) STRICT;

-- A row as it stood from one version to another (0: it is in force). item and side are what it
-- is about, as the ledger calls them.
CREATE TABLE register_row (
    id    INTEGER PRIMARY KEY,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,
    item  BLOB NOT NULL,
    side  TEXT NOT NULL,
    cells TEXT NOT NULL
) STRICT;
CREATE INDEX register_row_since ON register_row (since);
CREATE INDEX register_row_until ON register_row (until);
CREATE INDEX register_row_item ON register_row (item) WHERE until = 0;

-- What the register in force says of a side of an item, or of all of it.
CREATE TABLE register_says (
    item       BLOB NOT NULL,
    side       TEXT NOT NULL,
    sheet      TEXT NOT NULL,
    line       INTEGER NOT NULL,
    condition  TEXT NOT NULL,
    restricted INTEGER NOT NULL,
    unplayable INTEGER NOT NULL,
    says       TEXT NOT NULL,
    PRIMARY KEY (item, side)
) STRICT, WITHOUT ROWID;

-- What in the register in force wants a person's look, by what tells it from all others.
CREATE TABLE register_problem (
    key     TEXT NOT NULL PRIMARY KEY,
    sheet   TEXT NOT NULL,
    line    INTEGER NOT NULL,
    col     TEXT NOT NULL,
    kind    TEXT NOT NULL,
    says    TEXT NOT NULL,
    item    BLOB NOT NULL,
    finding INTEGER NOT NULL,
    since   INTEGER NOT NULL,
    quiet   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
CREATE INDEX register_problem_kind ON register_problem (kind, line, key);

-- How the reading of it stands: one row.
CREATE TABLE register_reading (
    id       INTEGER PRIMARY KEY CHECK (id = 1),
    read_at  INTEGER NOT NULL,
    source   TEXT NOT NULL,
    file     BLOB NOT NULL,
    tried_at INTEGER NOT NULL,
    trouble  TEXT NOT NULL,
    rows     INTEGER NOT NULL,
    matched  INTEGER NOT NULL,
    waiting  INTEGER NOT NULL,
    open     INTEGER NOT NULL
) STRICT;
