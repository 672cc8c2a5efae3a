-- +goose Up
-- The schedule: which of its times were taken by whom, and how fast stores are read.

-- A time of the schedule belongs to whoever inserts its row.
CREATE TABLE firing (
    job      TEXT NOT NULL,                 -- 'audit', 'visit'
    store    TEXT NOT NULL,
    due_at   INTEGER NOT NULL,               -- by the schedule
    missed   INTEGER NOT NULL,               -- earlier times that this run makes up
    tries    INTEGER NOT NULL,               -- counts up with each
    tried_at INTEGER NOT NULL,
    by_name  TEXT NOT NULL,
    ended_at INTEGER NOT NULL DEFAULT 0,     -- 0: it runs, waits to be tried again, or was cut off
    outcome  TEXT NOT NULL DEFAULT '',      -- 'begun', 'done', 'away', 'unfinished', 'failed', 'busy', 'stopped'
    trouble  TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (job, store, due_at)
) STRICT, WITHOUT ROWID;

-- What reading a store's files has taken, older runs counting less.
CREATE TABLE pace (
    store TEXT PRIMARY KEY,
    bytes INTEGER NOT NULL,
    took  INTEGER NOT NULL,                  -- nanoseconds of reading, pauses not counted
    at    INTEGER NOT NULL
) STRICT;
