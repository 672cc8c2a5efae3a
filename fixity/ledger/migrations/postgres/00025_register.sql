-- +goose Up
-- The archive's own register, as it was read: a version for each reading that showed other
-- rows than the one before. lines says which row stands in which line: runs of line, first row
-- and how many. held is the digest of all rows in their lines, columns the fields with the
-- words of the header, as JSON.
CREATE TABLE register_version (
    n        BIGINT PRIMARY KEY,
    at       BIGINT NOT NULL,
    by_name  TEXT COLLATE "C" NOT NULL,
    source   TEXT COLLATE "C" NOT NULL,
    sheet    TEXT COLLATE "C" NOT NULL,
    columns  TEXT COLLATE "C" NOT NULL,
    file     BYTEA NOT NULL,
    held     BYTEA NOT NULL,
    lines    TEXT COLLATE "C" NOT NULL,
    rows     BIGINT NOT NULL,
    added    BIGINT NOT NULL,
    deleted  BIGINT NOT NULL,
    changed  BIGINT NOT NULL,
    moved    BIGINT NOT NULL
);

-- A row as it stood from one version to another (0: it is in force). item and side are what it
-- is about, as the ledger calls them.
CREATE TABLE register_row (
    id    BIGINT PRIMARY KEY,
    since BIGINT NOT NULL,
    until BIGINT NOT NULL,
    item  BYTEA NOT NULL,
    side  TEXT COLLATE "C" NOT NULL,
    cells TEXT COLLATE "C" NOT NULL
);
CREATE INDEX register_row_since ON register_row (since);
CREATE INDEX register_row_until ON register_row (until);
CREATE INDEX register_row_item ON register_row (item) WHERE until = 0;

-- What the register in force says of a side of an item, or of all of it.
CREATE TABLE register_says (
    item       BYTEA NOT NULL,
    side       TEXT COLLATE "C" NOT NULL,
    sheet      TEXT COLLATE "C" NOT NULL,
    line       BIGINT NOT NULL,
    condition  TEXT COLLATE "C" NOT NULL,
    restricted BIGINT NOT NULL,
    unplayable BIGINT NOT NULL,
    says       TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (item, side)
);

-- What in the register in force wants a person's look, by what tells it from all others.
CREATE TABLE register_problem (
    key     TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    sheet   TEXT COLLATE "C" NOT NULL,
    line    BIGINT NOT NULL,
    col     TEXT COLLATE "C" NOT NULL,
    kind    TEXT COLLATE "C" NOT NULL,
    says    TEXT COLLATE "C" NOT NULL,
    item    BYTEA NOT NULL,
    finding BIGINT NOT NULL,
    since   BIGINT NOT NULL,
    quiet   BIGINT NOT NULL
);
CREATE INDEX register_problem_kind ON register_problem (kind, line, key);

-- How the reading of it stands: one row.
CREATE TABLE register_reading (
    id       BIGINT PRIMARY KEY CHECK (id = 1),
    read_at  BIGINT NOT NULL,
    source   TEXT COLLATE "C" NOT NULL,
    file     BYTEA NOT NULL,
    tried_at BIGINT NOT NULL,
    trouble  TEXT COLLATE "C" NOT NULL,
    rows     BIGINT NOT NULL,
    matched  BIGINT NOT NULL,
    waiting  BIGINT NOT NULL,
    open     BIGINT NOT NULL
);
