-- +goose Up
-- What people state of the preservation levels: of a point, since which day, in which words.
-- withdrawn_at is 0 while it holds.
CREATE TABLE level_statement (
    id           INTEGER NOT NULL PRIMARY KEY,
    point        TEXT NOT NULL,
    day          TEXT NOT NULL,                 -- YYYY-MM-DD
    words        TEXT NOT NULL,
    by_name      TEXT NOT NULL,
    at           INTEGER NOT NULL,
    withdrawn_at INTEGER NOT NULL DEFAULT 0,
    withdrawn_by TEXT NOT NULL DEFAULT '',
    reason       TEXT NOT NULL DEFAULT ''
) STRICT;
