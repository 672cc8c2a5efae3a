-- +goose Up
-- Letters: what was said to whom, and what still waits to be sent.

CREATE TABLE letter (
    id         INTEGER PRIMARY KEY,
    kind       TEXT NOT NULL,               -- 'first', 'more', 'deputy', 'end', 'weekly'
    thread     TEXT NOT NULL,               -- letters of one thread answer one another
    subject    TEXT NOT NULL,
    message_id TEXT NOT NULL,               -- RFC 5322, 3.6.4; the same however often it is sent
    refs       TEXT NOT NULL,               -- those of the thread's earlier letters, by blanks
    body       TEXT NOT NULL,
    html       TEXT NOT NULL,
    calendar   TEXT NOT NULL,               -- RFC 5545; '' if none goes with it
    made_at    INTEGER NOT NULL
) STRICT;
CREATE INDEX letter_thread ON letter (thread, id);

-- Each address gets a letter by itself, so that a bad one keeps it from nobody else.
CREATE TABLE letter_to (
    letter    INTEGER NOT NULL,
    address   TEXT NOT NULL,
    due_at    INTEGER NOT NULL,             -- of the next try
    attempts  INTEGER NOT NULL DEFAULT 0,
    sent_at   INTEGER NOT NULL DEFAULT 0,   -- the server took it
    failed_at INTEGER NOT NULL DEFAULT 0,   -- the server will never take it
    trouble   TEXT NOT NULL DEFAULT '',     -- of the last try
    PRIMARY KEY (letter, address)
) STRICT, WITHOUT ROWID;
CREATE INDEX letter_waits ON letter_to (due_at) WHERE sent_at = 0 AND failed_at = 0;
CREATE INDEX letter_sent ON letter_to (sent_at);

-- What was said of a finding, so that only news makes a letter.
CREATE TABLE told (
    finding   INTEGER PRIMARY KEY,
    thread    TEXT NOT NULL,
    kind      TEXT NOT NULL,                -- as told last
    urgency   TEXT NOT NULL,
    first_at  INTEGER NOT NULL,
    readings  TEXT NOT NULL,                -- stores whose copies were said to be read since, by blanks
    deputy_at INTEGER NOT NULL DEFAULT 0,
    ended_at  INTEGER NOT NULL DEFAULT 0    -- its end was told, or needs no letter
) STRICT;
CREATE INDEX told_thread ON told (thread);

CREATE TABLE letter_cursor (
    id        INTEGER PRIMARY KEY CHECK (id = 1),
    seq       INTEGER NOT NULL,             -- the first event that no letter rests on yet
    fills     INTEGER NOT NULL,             -- counts up, so that of two fillers one loses
    weekly_at INTEGER NOT NULL,             -- for when the newest weekly letter was due; 0: none yet
    begun_at  INTEGER NOT NULL              -- letters have been written since
) STRICT;
