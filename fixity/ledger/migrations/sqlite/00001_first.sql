-- +goose Up
-- The first schema. Paths are the medium's own bytes; times are nanoseconds since
-- 1970 UTC, 0 for never; sizes are bytes, -1 for not known. Codes are those of
-- package fixity's vocabulary.

CREATE TABLE holdings (
    id    TEXT PRIMARY KEY,
    begun INTEGER NOT NULL
) STRICT;

-- People type these numbers: they count up from 1 and are never used again.
CREATE TABLE counter (
    name  TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) STRICT;

CREATE TABLE file (
    id         INTEGER PRIMARY KEY,
    set_name   TEXT NOT NULL,
    path       BLOB NOT NULL,
    fold       TEXT NOT NULL,               -- NFC, case-folded; for pairing, not unique
    item       BLOB NOT NULL,
    version    INTEGER NOT NULL,             -- the current one; 0 while no version has authority
    vouched    INTEGER NOT NULL DEFAULT 0,   -- 1: a provided checksum or a person stands behind it
    changed_at INTEGER NOT NULL,             -- when its last change was seen (editing window)
    finished   INTEGER NOT NULL DEFAULT 0,
    taken_at   INTEGER NOT NULL,
    taken_by   TEXT NOT NULL,
    retired_at INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE UNIQUE INDEX file_path ON file (set_name, path) WHERE retired_at = 0;
CREATE INDEX file_fold ON file (set_name, fold);
CREATE INDEX file_item ON file (item);

CREATE TABLE version (
    file     INTEGER NOT NULL,
    n        INTEGER NOT NULL,
    size     INTEGER NOT NULL,
    blake3   BLOB NOT NULL,
    sha256   BLOB NOT NULL,
    md5      BLOB,
    samples  BLOB,                       -- digest of the sound itself
    duration INTEGER,                        -- nanoseconds
    reason   TEXT NOT NULL,
    by_name  TEXT NOT NULL,
    at       INTEGER NOT NULL,
    PRIMARY KEY (file, n)
) STRICT;
CREATE INDEX version_blake3 ON version (blake3);

-- CRC-32C of each 64 KiB of a version, little-endian; apart because it is large.
CREATE TABLE block (
    file INTEGER NOT NULL,
    n    INTEGER NOT NULL,
    sums BLOB NOT NULL,
    PRIMARY KEY (file, n)
) STRICT;

CREATE TABLE store (
    name       TEXT PRIMARY KEY,
    kind       TEXT NOT NULL,
    holdings   TEXT NOT NULL DEFAULT '',    -- what its marker says
    identity   TEXT NOT NULL DEFAULT '',    -- id by marker, or the service's ids
    place      TEXT NOT NULL DEFAULT '',
    medium     TEXT NOT NULL DEFAULT '',
    follows    TEXT NOT NULL DEFAULT '',
    adopted_at INTEGER NOT NULL DEFAULT 0,
    first_at   INTEGER NOT NULL,             -- when it was first expected
    seen_at    INTEGER NOT NULL DEFAULT 0,   -- last time it was there
    retired_at INTEGER NOT NULL DEFAULT 0
) STRICT;

CREATE TABLE store_set (
    store              TEXT NOT NULL,
    set_name           TEXT NOT NULL,
    root               TEXT NOT NULL,
    adopted_at         INTEGER NOT NULL DEFAULT 0,
    listed_complete_at INTEGER NOT NULL DEFAULT 0,
    cursor             TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (store, set_name)
) STRICT;

-- One copy: a file in a store. top is the first folder of at, '' for the root's own
-- files, and stands before it in the key so that a shard is one range of the table.
CREATE TABLE instance (
    store       TEXT NOT NULL,
    set_name    TEXT NOT NULL,
    carrier     INTEGER NOT NULL DEFAULT 0,  -- the disc; 0 for other kinds
    top         BLOB NOT NULL,
    at          BLOB NOT NULL,
    file        INTEGER NOT NULL,
    held        INTEGER NOT NULL DEFAULT 0,  -- version last shown to be there; 0: none ever
    state       TEXT NOT NULL,
    since       INTEGER NOT NULL,            -- when it came into this state
    size        INTEGER NOT NULL DEFAULT -1, -- as at its last reading; -1: never seen there
    mtime       INTEGER NOT NULL DEFAULT 0,
    reported_at INTEGER NOT NULL DEFAULT 0,
    reported_ok INTEGER NOT NULL DEFAULT 0,
    read_at     INTEGER NOT NULL DEFAULT 0,  -- last reading that wasn't left to the page cache
    read_ok     INTEGER NOT NULL DEFAULT 0,
    read_cache  TEXT NOT NULL DEFAULT '',
    read_audit  INTEGER NOT NULL DEFAULT 0,  -- audit that read it last
    due_at      INTEGER NOT NULL DEFAULT 0,
    wrong       BLOB,                    -- BLAKE3 of what it holds, if of no known version
    settled_as  TEXT NOT NULL DEFAULT '',   -- the condition that a person settled
    PRIMARY KEY (store, set_name, carrier, top, at)
) STRICT, WITHOUT ROWID;
CREATE INDEX instance_file ON instance (file);
CREATE INDEX instance_due ON instance (store, set_name, top, due_at);
CREATE INDEX instance_state ON instance (store, set_name, state, since);

-- What lies in a store under no one's care.
CREATE TABLE stray (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    top      BLOB NOT NULL,
    at       BLOB NOT NULL,
    size     INTEGER NOT NULL,
    mtime    INTEGER NOT NULL,
    first_at INTEGER NOT NULL,
    blake3   BLOB,
    due      INTEGER NOT NULL DEFAULT 0,     -- 1: its digest is wanted
    file     INTEGER NOT NULL DEFAULT 0,     -- the misplaced file whose bytes these are
    peace    INTEGER NOT NULL DEFAULT 0,     -- 1: a person left it in peace
    PRIMARY KEY (store, set_name, top, at)
) STRICT, WITHOUT ROWID;
CREATE INDEX stray_due ON stray (store, set_name, top) WHERE due = 1;
CREATE INDEX stray_file ON stray (file);

CREATE TABLE audit (
    id       INTEGER PRIMARY KEY,
    store    TEXT NOT NULL,
    kind     TEXT NOT NULL,                 -- 'audit', 'intake', 'follow-up'
    sets     TEXT NOT NULL,                 -- those listed, separated by blanks
    scope    TEXT NOT NULL,                 -- what counts: set, newline, folder
    full_read INTEGER NOT NULL,
    cache    TEXT NOT NULL,
    phase    TEXT NOT NULL,                 -- 'list', 'prove', 'read', 'done', 'cut-off'
    by_name  TEXT NOT NULL,
    began_at INTEGER NOT NULL,
    run_at   INTEGER NOT NULL,               -- when it was last taken up
    ended_at INTEGER NOT NULL DEFAULT 0,
    complete INTEGER NOT NULL DEFAULT 0
) STRICT;
CREATE INDEX audit_store ON audit (store, id);

CREATE TABLE shard (
    id       INTEGER PRIMARY KEY,
    audit    INTEGER NOT NULL,
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    top      BLOB NOT NULL,
    phase    TEXT NOT NULL,                 -- 'list', 'listed', 'prove', 'proved', 'read', 'done'
    cursor   BLOB NOT NULL,
    attempt  INTEGER NOT NULL DEFAULT 0,
    listed   INTEGER NOT NULL DEFAULT 0,
    left_out INTEGER NOT NULL DEFAULT 0,
    read     INTEGER NOT NULL DEFAULT 0,
    bytes    INTEGER NOT NULL DEFAULT 0,
    complete INTEGER NOT NULL DEFAULT 1,
    trouble  TEXT NOT NULL DEFAULT '',      -- why it isn't complete
    UNIQUE (audit, set_name, top)
) STRICT;

-- Between listing and conclusion of an audit.
CREATE TABLE difference (
    audit    INTEGER NOT NULL,
    set_name TEXT NOT NULL,
    top      BLOB NOT NULL,
    at       BLOB NOT NULL,
    file     INTEGER NOT NULL,
    instead  TEXT NOT NULL DEFAULT '', -- what lies there that is no file of bytes
    PRIMARY KEY (audit, set_name, top, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE finding (
    id          INTEGER PRIMARY KEY,
    subject     TEXT NOT NULL,
    kind        TEXT NOT NULL,
    urgency     TEXT NOT NULL,
    step        TEXT NOT NULL DEFAULT '',
    store       TEXT NOT NULL,
    set_name    TEXT NOT NULL,
    carrier     INTEGER NOT NULL DEFAULT 0,
    file        INTEGER NOT NULL DEFAULT 0,
    path        BLOB NOT NULL,
    found_at    BLOB NOT NULL,
    anatomy     TEXT NOT NULL DEFAULT '',
    ranges      TEXT NOT NULL DEFAULT '[]',
    ranges_more INTEGER NOT NULL DEFAULT 0,
    intact_in   TEXT NOT NULL DEFAULT '[]',
    mergeable   INTEGER NOT NULL DEFAULT 0,
    incident    INTEGER NOT NULL DEFAULT 0,
    files       INTEGER NOT NULL DEFAULT 1,
    detail      TEXT NOT NULL DEFAULT '',
    audit       INTEGER NOT NULL DEFAULT 0,  -- that opened it
    opened_at   INTEGER NOT NULL,
    seen_at     INTEGER NOT NULL,
    settled     TEXT NOT NULL DEFAULT '',
    settled_at  INTEGER NOT NULL DEFAULT 0,
    settled_by  TEXT NOT NULL DEFAULT '',
    reason      TEXT NOT NULL DEFAULT ''
) STRICT;
CREATE UNIQUE INDEX finding_open ON finding (store, set_name, carrier, file) WHERE settled = '' AND file <> 0;
CREATE UNIQUE INDEX finding_open_other ON finding (store, set_name, subject, kind, path) WHERE settled = '' AND file = 0;
CREATE INDEX finding_unsettled ON finding (store) WHERE settled = '';
CREATE INDEX finding_file ON finding (file);
CREATE INDEX finding_audit ON finding (audit);

CREATE TABLE incident (
    id        INTEGER PRIMARY KEY,
    kind      TEXT NOT NULL,
    store     TEXT NOT NULL,
    set_name  TEXT NOT NULL,
    audit     INTEGER NOT NULL,
    files     INTEGER NOT NULL,
    opened_at INTEGER NOT NULL
) STRICT;

-- The record. leaf is what is hashed; the other columns are derived from it.
CREATE TABLE event (
    seq      INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    verb     TEXT NOT NULL,
    by_name  TEXT NOT NULL,
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    file     INTEGER NOT NULL,
    finding  INTEGER NOT NULL,
    audit    INTEGER NOT NULL,
    reason   TEXT NOT NULL,
    leaf     BLOB NOT NULL
) STRICT;
CREATE INDEX event_file ON event (file) WHERE file <> 0;

-- The result lines of a slice, packed; their RFC 6962 root stands in its event.
-- event is -1 until the slice that wrote them, or the one that took over, ends.
CREATE TABLE reading (
    id    INTEGER PRIMARY KEY,
    audit INTEGER NOT NULL,
    shard INTEGER NOT NULL,
    event INTEGER NOT NULL DEFAULT -1,
    n     INTEGER NOT NULL,
    lines BLOB NOT NULL
) STRICT;
CREATE INDEX reading_event ON reading (event);
CREATE INDEX reading_shard ON reading (shard);
CREATE INDEX reading_audit ON reading (audit);

CREATE TABLE log_head (
    id     INTEGER PRIMARY KEY CHECK (id = 1),
    origin TEXT NOT NULL,
    size   INTEGER NOT NULL,
    root   BLOB NOT NULL
) STRICT;

CREATE TABLE log_hash (
    idx  INTEGER PRIMARY KEY,
    hash BLOB NOT NULL
) STRICT;

-- Kept up by each transaction that moves copies between states.
CREATE TABLE tally (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    state    TEXT NOT NULL,
    files    INTEGER NOT NULL,
    bytes    INTEGER NOT NULL,
    PRIMARY KEY (store, set_name, state)
) STRICT, WITHOUT ROWID;

CREATE TABLE day (
    store    TEXT NOT NULL,
    day      TEXT NOT NULL,                 -- YYYY-MM-DD, UTC
    read     INTEGER NOT NULL,
    bytes    INTEGER NOT NULL,
    findings INTEGER NOT NULL,
    PRIMARY KEY (store, day)
) STRICT, WITHOUT ROWID;

-- Both digests are SHA-256 of the text. intended is written before the file is
-- replaced, so that after a crash either text is known to be ours.
CREATE TABLE manifest (
    store      TEXT NOT NULL,
    set_name   TEXT NOT NULL,
    folder     BLOB NOT NULL,
    digest     BLOB,
    intended   BLOB,
    size       INTEGER NOT NULL DEFAULT -1, -- and time as at its last reading
    mtime      INTEGER NOT NULL DEFAULT 0,
    written_at INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (store, set_name, folder)
) STRICT, WITHOUT ROWID;
