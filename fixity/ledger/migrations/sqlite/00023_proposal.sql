-- +goose Up
-- Acts that one person ordered and a second has to confirm. what is the order as JSON, with
-- the marks of what its person saw. ended_at is 0 while it waits.
CREATE TABLE proposal (
    id       INTEGER NOT NULL PRIMARY KEY,
    act      TEXT NOT NULL,
    what     TEXT NOT NULL,
    by_name  TEXT NOT NULL,
    reason   TEXT NOT NULL,
    made_at  INTEGER NOT NULL,
    ended_at INTEGER NOT NULL DEFAULT 0,
    ended_by TEXT NOT NULL DEFAULT '',
    outcome  TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE INDEX proposal_open ON proposal (id) WHERE ended_at = 0;

-- Where a person signed in before, as a hash: who guesses passwords elsewhere doesn't hold
-- them up there.
CREATE TABLE web_place (
    account TEXT NOT NULL,
    place   BLOB NOT NULL,
    at      INTEGER NOT NULL,
    PRIMARY KEY (account, place)
) STRICT, WITHOUT ROWID;
