-- +goose Up
-- Reading over the net: how much was read on each day, how much of it an audit may read,
-- and up to which moment a service's log of changes was followed.

CREATE TABLE service_day (
    store TEXT COLLATE "C" NOT NULL,
    day   TEXT COLLATE "C" NOT NULL,                    -- YYYY-MM-DD, by the local clock
    bytes BIGINT NOT NULL,                 -- read on it, whatever for
    PRIMARY KEY (store, day)
);

-- Of the copies that are due those come first that have been due longest. An audit
-- without a row reads all that are due.
CREATE TABLE portion (
    audit  BIGINT PRIMARY KEY,
    due_at BIGINT NOT NULL,                -- of the last copy whose turn it is,
    file   BIGINT NOT NULL,                -- and its file
    files  BIGINT NOT NULL,                -- due, and put off to another day
    bytes  BIGINT NOT NULL
);

CREATE TABLE service_log (
    store  TEXT COLLATE "C" PRIMARY KEY,
    folder TEXT COLLATE "C" NOT NULL,                   -- the log is that of this folder's drive
    token  TEXT COLLATE "C" NOT NULL
);

-- A log of changes names files by their ids.
CREATE INDEX service_item_id ON service_item (store, id);
