-- +goose Up
-- The shelf: discs, what was burned on them, and what checks of them have shown.

CREATE TABLE disc (
    id         INTEGER PRIMARY KEY,
    store      TEXT NOT NULL,
    number     TEXT NOT NULL,               -- as it is written on the disc, normalised
    twin       TEXT NOT NULL,               -- '', 'A', 'B' …: discs of the same contents
    part       INTEGER NOT NULL,            -- 0: the only one
    kind       TEXT NOT NULL,               -- 'audio', 'data'
    box        TEXT NOT NULL,
    blank      TEXT NOT NULL,               -- brand of the blank
    burned     TEXT NOT NULL,               -- when, as typed
    label      TEXT NOT NULL,               -- what else is written on it
    toc        TEXT NOT NULL DEFAULT '',    -- id of its table of contents, once it was seen
    control    INTEGER NOT NULL DEFAULT 0,  -- 1: it is read first, to look at the drive
    baseline   BLOB,                        -- what a first reading gave, where nothing older is known
    added_at   INTEGER NOT NULL,
    added_by   TEXT NOT NULL,
    retired_at INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE UNIQUE INDEX disc_number ON disc (number, twin, part) WHERE retired_at = 0;
CREATE INDEX disc_toc ON disc (toc);

-- What was burned, for ever: in the order of an audio disc's tracks.
CREATE TABLE disc_file (
    disc    INTEGER NOT NULL,
    n       INTEGER NOT NULL,               -- 1 is the first
    file    INTEGER NOT NULL,
    version INTEGER NOT NULL,
    name    BLOB NOT NULL,                  -- on a data disc, its path below the folder that was burned
    PRIMARY KEY (disc, n)
) STRICT, WITHOUT ROWID;
CREATE INDEX disc_file_file ON disc_file (file);

CREATE TABLE disc_check (
    id         INTEGER PRIMARY KEY,
    disc       INTEGER NOT NULL,            -- 0: of none that is registered
    toc        TEXT NOT NULL,
    began_at   INTEGER NOT NULL,
    ended_at   INTEGER NOT NULL,
    by_name    TEXT NOT NULL,
    drive      TEXT NOT NULL,               -- maker, model, revision; '' for an image
    speed      INTEGER NOT NULL,            -- kB a second that reading was capped at; 0: it wasn't
    written    TEXT NOT NULL,               -- on the disc, as the person typed it
    proved     TEXT NOT NULL,               -- by its contents
    verdict    TEXT NOT NULL,
    sectors    INTEGER NOT NULL,
    at_once    INTEGER NOT NULL,            -- of these: read at the first try
    retried    INTEGER NOT NULL,
    doubtful   INTEGER NOT NULL,
    unreadable INTEGER NOT NULL,
    gain       INTEGER,                     -- thousandths of a dB that the sound is louder, where it was changed on the way
    map        BLOB,                        -- how reading each sector ended, compressed
    looked     TEXT NOT NULL,               -- what the person saw before it was read
    result     TEXT NOT NULL,               -- JSON
    event      INTEGER NOT NULL,
    control    INTEGER NOT NULL             -- the check of a control disc that stands for the drive; 0: none
) STRICT;
CREATE INDEX disc_check_disc ON disc_check (disc, id);

-- One decision for all discs that are changed alike.
CREATE TABLE disc_decision (
    id      INTEGER PRIMARY KEY,
    verdict TEXT NOT NULL,
    gain    INTEGER,                        -- thousandths of a dB; NULL: whatever it is
    within  INTEGER NOT NULL,               -- to either side, likewise
    reason  TEXT NOT NULL,
    by_name TEXT NOT NULL,
    at      INTEGER NOT NULL
) STRICT;

CREATE INDEX finding_carrier ON finding (carrier) WHERE carrier <> 0;
