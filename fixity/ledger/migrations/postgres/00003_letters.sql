-- +goose Up
-- Letters: what was said to whom, and what still waits to be sent.

CREATE TABLE letter (
    id         BIGINT PRIMARY KEY,
    kind       TEXT COLLATE "C" NOT NULL,               -- 'first', 'more', 'deputy', 'end', 'weekly'
    thread     TEXT COLLATE "C" NOT NULL,               -- letters of one thread answer one another
    subject    TEXT COLLATE "C" NOT NULL,
    message_id TEXT COLLATE "C" NOT NULL,               -- RFC 5322, 3.6.4; the same however often it is sent
    refs       TEXT COLLATE "C" NOT NULL,               -- those of the thread's earlier letters, by blanks
    body       TEXT COLLATE "C" NOT NULL,
    html       TEXT COLLATE "C" NOT NULL,
    calendar   TEXT COLLATE "C" NOT NULL,               -- RFC 5545; '' if none goes with it
    made_at    BIGINT NOT NULL
);
CREATE INDEX letter_thread ON letter (thread, id);

-- Each address gets a letter by itself, so that a bad one keeps it from nobody else.
CREATE TABLE letter_to (
    letter    BIGINT NOT NULL,
    address   TEXT COLLATE "C" NOT NULL,
    due_at    BIGINT NOT NULL,             -- of the next try
    attempts  BIGINT NOT NULL DEFAULT 0,
    sent_at   BIGINT NOT NULL DEFAULT 0,   -- the server took it
    failed_at BIGINT NOT NULL DEFAULT 0,   -- the server will never take it
    trouble   TEXT COLLATE "C" NOT NULL DEFAULT '',     -- of the last try
    PRIMARY KEY (letter, address)
);
CREATE INDEX letter_waits ON letter_to (due_at) WHERE sent_at = 0 AND failed_at = 0;
CREATE INDEX letter_sent ON letter_to (sent_at);

-- What was said of a finding, so that only news makes a letter.
CREATE TABLE told (
    finding   BIGINT PRIMARY KEY,
    thread    TEXT COLLATE "C" NOT NULL,
    kind      TEXT COLLATE "C" NOT NULL,                -- as told last
    urgency   TEXT COLLATE "C" NOT NULL,
    first_at  BIGINT NOT NULL,
    readings  TEXT COLLATE "C" NOT NULL,                -- stores whose copies were said to be read since, by blanks
    deputy_at BIGINT NOT NULL DEFAULT 0,
    ended_at  BIGINT NOT NULL DEFAULT 0    -- its end was told, or needs no letter
);
CREATE INDEX told_thread ON told (thread);

CREATE TABLE letter_cursor (
    id        BIGINT PRIMARY KEY CHECK (id = 1),
    seq       BIGINT NOT NULL,             -- the first event that no letter rests on yet
    fills     BIGINT NOT NULL,             -- counts up, so that of two fillers one loses
    weekly_at BIGINT NOT NULL,             -- for when the newest weekly letter was due; 0: none yet
    begun_at  BIGINT NOT NULL              -- letters have been written since
);
