-- +goose Up
-- The first schema. Paths are the medium's own bytes; times are nanoseconds since
-- 1970 UTC, 0 for never; sizes are bytes, -1 for not known. Codes are those of
-- package fixity's vocabulary.

CREATE TABLE holdings (
    id    TEXT COLLATE "C" PRIMARY KEY,
    begun BIGINT NOT NULL
);

-- People type these numbers: they count up from 1 and are never used again.
CREATE TABLE counter (
    name  TEXT COLLATE "C" PRIMARY KEY,
    value BIGINT NOT NULL
);

CREATE TABLE file (
    id         BIGINT PRIMARY KEY,
    set_name   TEXT COLLATE "C" NOT NULL,
    path       BYTEA NOT NULL,
    fold       TEXT COLLATE "C" NOT NULL,               -- NFC, case-folded; for pairing, not unique
    item       BYTEA NOT NULL,
    version    BIGINT NOT NULL,             -- the current one; 0 while no version has authority
    vouched    BIGINT NOT NULL DEFAULT 0,   -- 1: a provided checksum or a person stands behind it
    changed_at BIGINT NOT NULL,             -- when its last change was seen (editing window)
    finished   BIGINT NOT NULL DEFAULT 0,
    taken_at   BIGINT NOT NULL,
    taken_by   TEXT COLLATE "C" NOT NULL,
    retired_at BIGINT NOT NULL DEFAULT 0
);
CREATE UNIQUE INDEX file_path ON file (set_name, path) WHERE retired_at = 0;
CREATE INDEX file_fold ON file (set_name, fold);
CREATE INDEX file_item ON file (item);

CREATE TABLE version (
    file     BIGINT NOT NULL,
    n        BIGINT NOT NULL,
    size     BIGINT NOT NULL,
    blake3   BYTEA NOT NULL,
    sha256   BYTEA NOT NULL,
    md5      BYTEA,
    samples  BYTEA,                       -- digest of the sound itself
    duration BIGINT,                        -- nanoseconds
    reason   TEXT COLLATE "C" NOT NULL,
    by_name  TEXT COLLATE "C" NOT NULL,
    at       BIGINT NOT NULL,
    PRIMARY KEY (file, n)
);
CREATE INDEX version_blake3 ON version (blake3);

-- CRC-32C of each 64 KiB of a version, little-endian; apart because it is large.
CREATE TABLE block (
    file BIGINT NOT NULL,
    n    BIGINT NOT NULL,
    sums BYTEA NOT NULL,
    PRIMARY KEY (file, n)
);

CREATE TABLE store (
    name       TEXT COLLATE "C" PRIMARY KEY,
    kind       TEXT COLLATE "C" NOT NULL,
    holdings   TEXT COLLATE "C" NOT NULL DEFAULT '',    -- what its marker says
    identity   TEXT COLLATE "C" NOT NULL DEFAULT '',    -- id by marker, or the service's ids
    place      TEXT COLLATE "C" NOT NULL DEFAULT '',
    medium     TEXT COLLATE "C" NOT NULL DEFAULT '',
    follows    TEXT COLLATE "C" NOT NULL DEFAULT '',
    adopted_at BIGINT NOT NULL DEFAULT 0,
    first_at   BIGINT NOT NULL,             -- when it was first expected
    seen_at    BIGINT NOT NULL DEFAULT 0,   -- last time it was there
    retired_at BIGINT NOT NULL DEFAULT 0
);

CREATE TABLE store_set (
    store              TEXT COLLATE "C" NOT NULL,
    set_name           TEXT COLLATE "C" NOT NULL,
    root               TEXT COLLATE "C" NOT NULL,
    adopted_at         BIGINT NOT NULL DEFAULT 0,
    listed_complete_at BIGINT NOT NULL DEFAULT 0,
    cursor             TEXT COLLATE "C" NOT NULL DEFAULT '',
    PRIMARY KEY (store, set_name)
);

-- One copy: a file in a store. top is the first folder of at, '' for the root's own
-- files, and stands before it in the key so that a shard is one range of the table.
CREATE TABLE instance (
    store       TEXT COLLATE "C" NOT NULL,
    set_name    TEXT COLLATE "C" NOT NULL,
    carrier     BIGINT NOT NULL DEFAULT 0,  -- the disc; 0 for other kinds
    top         BYTEA NOT NULL,
    at          BYTEA NOT NULL,
    file        BIGINT NOT NULL,
    held        BIGINT NOT NULL DEFAULT 0,  -- version last shown to be there; 0: none ever
    state       TEXT COLLATE "C" NOT NULL,
    since       BIGINT NOT NULL,            -- when it came into this state
    size        BIGINT NOT NULL DEFAULT -1, -- as at its last reading; -1: never seen there
    mtime       BIGINT NOT NULL DEFAULT 0,
    reported_at BIGINT NOT NULL DEFAULT 0,
    reported_ok BIGINT NOT NULL DEFAULT 0,
    read_at     BIGINT NOT NULL DEFAULT 0,  -- last reading that wasn't left to the page cache
    read_ok     BIGINT NOT NULL DEFAULT 0,
    read_cache  TEXT COLLATE "C" NOT NULL DEFAULT '',
    read_audit  BIGINT NOT NULL DEFAULT 0,  -- audit that read it last
    due_at      BIGINT NOT NULL DEFAULT 0,
    wrong       BYTEA,                    -- BLAKE3 of what it holds, if of no known version
    settled_as  TEXT COLLATE "C" NOT NULL DEFAULT '',   -- the condition that a person settled
    PRIMARY KEY (store, set_name, carrier, top, at)
);
CREATE INDEX instance_file ON instance (file);
CREATE INDEX instance_due ON instance (store, set_name, top, due_at);
CREATE INDEX instance_state ON instance (store, set_name, state, since);

-- What lies in a store under no one's care.
CREATE TABLE stray (
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    top      BYTEA NOT NULL,
    at       BYTEA NOT NULL,
    size     BIGINT NOT NULL,
    mtime    BIGINT NOT NULL,
    first_at BIGINT NOT NULL,
    blake3   BYTEA,
    due      BIGINT NOT NULL DEFAULT 0,     -- 1: its digest is wanted
    file     BIGINT NOT NULL DEFAULT 0,     -- the misplaced file whose bytes these are
    peace    BIGINT NOT NULL DEFAULT 0,     -- 1: a person left it in peace
    PRIMARY KEY (store, set_name, top, at)
);
CREATE INDEX stray_due ON stray (store, set_name, top) WHERE due = 1;
CREATE INDEX stray_file ON stray (file);

CREATE TABLE audit (
    id       BIGINT PRIMARY KEY,
    store    TEXT COLLATE "C" NOT NULL,
    kind     TEXT COLLATE "C" NOT NULL,                 -- 'audit', 'intake', 'follow-up'
    sets     TEXT COLLATE "C" NOT NULL,                 -- those listed, separated by blanks
    scope    TEXT COLLATE "C" NOT NULL,                 -- what counts: set, newline, folder
    full_read BIGINT NOT NULL,
    cache    TEXT COLLATE "C" NOT NULL,
    phase    TEXT COLLATE "C" NOT NULL,                 -- 'list', 'prove', 'read', 'done', 'cut-off'
    by_name  TEXT COLLATE "C" NOT NULL,
    began_at BIGINT NOT NULL,
    run_at   BIGINT NOT NULL,               -- when it was last taken up
    ended_at BIGINT NOT NULL DEFAULT 0,
    complete BIGINT NOT NULL DEFAULT 0
);
CREATE INDEX audit_store ON audit (store, id);

CREATE TABLE shard (
    id       BIGINT PRIMARY KEY,
    audit    BIGINT NOT NULL,
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    top      BYTEA NOT NULL,
    phase    TEXT COLLATE "C" NOT NULL,                 -- 'list', 'listed', 'prove', 'proved', 'read', 'done'
    cursor   BYTEA NOT NULL,
    attempt  BIGINT NOT NULL DEFAULT 0,
    listed   BIGINT NOT NULL DEFAULT 0,
    left_out BIGINT NOT NULL DEFAULT 0,
    read     BIGINT NOT NULL DEFAULT 0,
    bytes    BIGINT NOT NULL DEFAULT 0,
    complete BIGINT NOT NULL DEFAULT 1,
    trouble  TEXT COLLATE "C" NOT NULL DEFAULT '',      -- why it isn't complete
    UNIQUE (audit, set_name, top)
);

-- Between listing and conclusion of an audit.
CREATE TABLE difference (
    audit    BIGINT NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    top      BYTEA NOT NULL,
    at       BYTEA NOT NULL,
    file     BIGINT NOT NULL,
    instead  TEXT COLLATE "C" NOT NULL DEFAULT '', -- what lies there that is no file of bytes
    PRIMARY KEY (audit, set_name, top, at)
);

CREATE TABLE finding (
    id          BIGINT PRIMARY KEY,
    subject     TEXT COLLATE "C" NOT NULL,
    kind        TEXT COLLATE "C" NOT NULL,
    urgency     TEXT COLLATE "C" NOT NULL,
    step        TEXT COLLATE "C" NOT NULL DEFAULT '',
    store       TEXT COLLATE "C" NOT NULL,
    set_name    TEXT COLLATE "C" NOT NULL,
    carrier     BIGINT NOT NULL DEFAULT 0,
    file        BIGINT NOT NULL DEFAULT 0,
    path        BYTEA NOT NULL,
    found_at    BYTEA NOT NULL,
    anatomy     TEXT COLLATE "C" NOT NULL DEFAULT '',
    ranges      TEXT COLLATE "C" NOT NULL DEFAULT '[]',
    ranges_more BIGINT NOT NULL DEFAULT 0,
    intact_in   TEXT COLLATE "C" NOT NULL DEFAULT '[]',
    mergeable   BIGINT NOT NULL DEFAULT 0,
    incident    BIGINT NOT NULL DEFAULT 0,
    files       BIGINT NOT NULL DEFAULT 1,
    detail      TEXT COLLATE "C" NOT NULL DEFAULT '',
    audit       BIGINT NOT NULL DEFAULT 0,  -- that opened it
    opened_at   BIGINT NOT NULL,
    seen_at     BIGINT NOT NULL,
    settled     TEXT COLLATE "C" NOT NULL DEFAULT '',
    settled_at  BIGINT NOT NULL DEFAULT 0,
    settled_by  TEXT COLLATE "C" NOT NULL DEFAULT '',
    reason      TEXT COLLATE "C" NOT NULL DEFAULT ''
);
CREATE UNIQUE INDEX finding_open ON finding (store, set_name, carrier, file) WHERE settled = '' AND file <> 0;
CREATE UNIQUE INDEX finding_open_other ON finding (store, set_name, subject, kind, path) WHERE settled = '' AND file = 0;
CREATE INDEX finding_unsettled ON finding (store) WHERE settled = '';
CREATE INDEX finding_file ON finding (file);
CREATE INDEX finding_audit ON finding (audit);

CREATE TABLE incident (
    id        BIGINT PRIMARY KEY,
    kind      TEXT COLLATE "C" NOT NULL,
    store     TEXT COLLATE "C" NOT NULL,
    set_name  TEXT COLLATE "C" NOT NULL,
    audit     BIGINT NOT NULL,
    files     BIGINT NOT NULL,
    opened_at BIGINT NOT NULL
);

-- The record. leaf is what is hashed; the other columns are derived from it.
CREATE TABLE event (
    seq      BIGINT PRIMARY KEY,
    at       BIGINT NOT NULL,
    verb     TEXT COLLATE "C" NOT NULL,
    by_name  TEXT COLLATE "C" NOT NULL,
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    file     BIGINT NOT NULL,
    finding  BIGINT NOT NULL,
    audit    BIGINT NOT NULL,
    reason   TEXT COLLATE "C" NOT NULL,
    leaf     BYTEA NOT NULL
);
CREATE INDEX event_file ON event (file) WHERE file <> 0;

-- The result lines of a slice, packed; their RFC 6962 root stands in its event.
-- event is -1 until the slice that wrote them, or the one that took over, ends.
CREATE TABLE reading (
    id    BIGINT PRIMARY KEY,
    audit BIGINT NOT NULL,
    shard BIGINT NOT NULL,
    event BIGINT NOT NULL DEFAULT -1,
    n     BIGINT NOT NULL,
    lines BYTEA NOT NULL
);
CREATE INDEX reading_event ON reading (event);
CREATE INDEX reading_shard ON reading (shard);
CREATE INDEX reading_audit ON reading (audit);

CREATE TABLE log_head (
    id     BIGINT PRIMARY KEY CHECK (id = 1),
    origin TEXT COLLATE "C" NOT NULL,
    size   BIGINT NOT NULL,
    root   BYTEA NOT NULL
);

CREATE TABLE log_hash (
    idx  BIGINT PRIMARY KEY,
    hash BYTEA NOT NULL
);

-- Kept up by each transaction that moves copies between states.
CREATE TABLE tally (
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    state    TEXT COLLATE "C" NOT NULL,
    files    BIGINT NOT NULL,
    bytes    BIGINT NOT NULL,
    PRIMARY KEY (store, set_name, state)
);

CREATE TABLE day (
    store    TEXT COLLATE "C" NOT NULL,
    day      TEXT COLLATE "C" NOT NULL,                 -- YYYY-MM-DD, UTC
    read     BIGINT NOT NULL,
    bytes    BIGINT NOT NULL,
    findings BIGINT NOT NULL,
    PRIMARY KEY (store, day)
);

-- Both digests are SHA-256 of the text. intended is written before the file is
-- replaced, so that after a crash either text is known to be ours.
CREATE TABLE manifest (
    store      TEXT COLLATE "C" NOT NULL,
    set_name   TEXT COLLATE "C" NOT NULL,
    folder     BYTEA NOT NULL,
    digest     BYTEA,
    intended   BYTEA,
    size       BIGINT NOT NULL DEFAULT -1, -- and time as at its last reading
    mtime      BIGINT NOT NULL DEFAULT 0,
    written_at BIGINT NOT NULL DEFAULT 0,
    PRIMARY KEY (store, set_name, folder)
);
