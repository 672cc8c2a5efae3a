-- +goose Up
-- The shelf: discs, what was burned on them, and what checks of them have shown.

CREATE TABLE disc (
    id         BIGINT PRIMARY KEY,
    store      TEXT COLLATE "C" NOT NULL,
    number     TEXT COLLATE "C" NOT NULL,               -- as it is written on the disc, normalised
    twin       TEXT COLLATE "C" NOT NULL,               -- '', 'A', 'B' …: discs of the same contents
    part       BIGINT NOT NULL,            -- 0: the only one
    kind       TEXT COLLATE "C" NOT NULL,               -- 'audio', 'data'
    box        TEXT COLLATE "C" NOT NULL,
    blank      TEXT COLLATE "C" NOT NULL,               -- brand of the blank
    burned     TEXT COLLATE "C" NOT NULL,               -- when, as typed
    label      TEXT COLLATE "C" NOT NULL,               -- what else is written on it
    toc        TEXT COLLATE "C" NOT NULL DEFAULT '',    -- id of its table of contents, once it was seen
    control    BIGINT NOT NULL DEFAULT 0,  -- 1: it is read first, to look at the drive
    baseline   BYTEA,                        -- what a first reading gave, where nothing older is known
    added_at   BIGINT NOT NULL,
    added_by   TEXT COLLATE "C" NOT NULL,
    retired_at BIGINT NOT NULL DEFAULT 0
);
CREATE UNIQUE INDEX disc_number ON disc (number, twin, part) WHERE retired_at = 0;
CREATE INDEX disc_toc ON disc (toc);

-- What was burned, for ever: in the order of an audio disc's tracks.
CREATE TABLE disc_file (
    disc    BIGINT NOT NULL,
    n       BIGINT NOT NULL,               -- 1 is the first
    file    BIGINT NOT NULL,
    version BIGINT NOT NULL,
    name    BYTEA NOT NULL,                  -- on a data disc, its path below the folder that was burned
    PRIMARY KEY (disc, n)
);
CREATE INDEX disc_file_file ON disc_file (file);

CREATE TABLE disc_check (
    id         BIGINT PRIMARY KEY,
    disc       BIGINT NOT NULL,            -- 0: of none that is registered
    toc        TEXT COLLATE "C" NOT NULL,
    began_at   BIGINT NOT NULL,
    ended_at   BIGINT NOT NULL,
    by_name    TEXT COLLATE "C" NOT NULL,
    drive      TEXT COLLATE "C" NOT NULL,               -- maker, model, revision; '' for an image
    speed      BIGINT NOT NULL,            -- kB a second that reading was capped at; 0: it wasn't
    written    TEXT COLLATE "C" NOT NULL,               -- on the disc, as the person typed it
    proved     TEXT COLLATE "C" NOT NULL,               -- by its contents
    verdict    TEXT COLLATE "C" NOT NULL,
    sectors    BIGINT NOT NULL,
    at_once    BIGINT NOT NULL,            -- of these: read at the first try
    retried    BIGINT NOT NULL,
    doubtful   BIGINT NOT NULL,
    unreadable BIGINT NOT NULL,
    gain       BIGINT,                     -- thousandths of a dB that the sound is louder, where it was changed on the way
    map        BYTEA,                        -- how reading each sector ended, compressed
    looked     TEXT COLLATE "C" NOT NULL,               -- what the person saw before it was read
    result     TEXT COLLATE "C" NOT NULL,               -- JSON
    event      BIGINT NOT NULL,
    control    BIGINT NOT NULL             -- the check of a control disc that stands for the drive; 0: none
);
CREATE INDEX disc_check_disc ON disc_check (disc, id);

-- One decision for all discs that are changed alike.
CREATE TABLE disc_decision (
    id      BIGINT PRIMARY KEY,
    verdict TEXT COLLATE "C" NOT NULL,
    gain    BIGINT,                        -- thousandths of a dB; NULL: whatever it is
    within  BIGINT NOT NULL,               -- to either side, likewise
    reason  TEXT COLLATE "C" NOT NULL,
    by_name TEXT COLLATE "C" NOT NULL,
    at      BIGINT NOT NULL
);

CREATE INDEX finding_carrier ON finding (carrier) WHERE carrier <> 0;
