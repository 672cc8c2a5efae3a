-- +goose Up
-- Reading over the net: how much was read on each day, how much of it an audit may read,
-- and up to which moment a service's log of changes was followed.

CREATE TABLE service_day (
    store TEXT NOT NULL,
    day   TEXT NOT NULL,                    -- YYYY-MM-DD, by the local clock
    bytes INTEGER NOT NULL,                 -- read on it, whatever for
    PRIMARY KEY (store, day)
) STRICT, WITHOUT ROWID;

-- Of the copies that are due those come first that have been due longest. An audit
-- without a row reads all that are due.
CREATE TABLE portion (
    audit  INTEGER PRIMARY KEY,
    due_at INTEGER NOT NULL,                -- of the last copy whose turn it is,
    file   INTEGER NOT NULL,                -- and its file
    files  INTEGER NOT NULL,                -- due, and put off to another day
    bytes  INTEGER NOT NULL
) STRICT;

CREATE TABLE service_log (
    store  TEXT PRIMARY KEY,
    folder TEXT NOT NULL,                   -- the log is that of this folder's drive
    token  TEXT NOT NULL
) STRICT;

-- A log of changes names files by their ids.
CREATE INDEX service_item_id ON service_item (store, id);
