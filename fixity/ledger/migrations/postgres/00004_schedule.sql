-- +goose Up
-- The schedule: which of its times were taken by whom, and how fast stores are read.

-- A time of the schedule belongs to whoever inserts its row.
CREATE TABLE firing (
    job      TEXT COLLATE "C" NOT NULL,                 -- 'audit', 'visit'
    store    TEXT COLLATE "C" NOT NULL,
    due_at   BIGINT NOT NULL,               -- by the schedule
    missed   BIGINT NOT NULL,               -- earlier times that this run makes up
    tries    BIGINT NOT NULL,               -- counts up with each
    tried_at BIGINT NOT NULL,
    by_name  TEXT COLLATE "C" NOT NULL,
    ended_at BIGINT NOT NULL DEFAULT 0,     -- 0: it runs, waits to be tried again, or was cut off
    outcome  TEXT COLLATE "C" NOT NULL DEFAULT '',      -- 'begun', 'done', 'away', 'unfinished', 'failed', 'busy', 'stopped'
    trouble  TEXT COLLATE "C" NOT NULL DEFAULT '',
    PRIMARY KEY (job, store, due_at)
);

-- What reading a store's files has taken, older runs counting less.
CREATE TABLE pace (
    store TEXT COLLATE "C" PRIMARY KEY,
    bytes BIGINT NOT NULL,
    took  BIGINT NOT NULL,                  -- nanoseconds of reading, pauses not counted
    at    BIGINT NOT NULL
);
