CREATE TABLE account (
    name    TEXT NOT NULL PRIMARY KEY,
    role    TEXT NOT NULL CHECK (role IN ('viewer', 'technician', 'reviewer')),
    secret  TEXT NOT NULL,
    made_at INTEGER NOT NULL,
    made_by TEXT NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE age (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    what     TEXT NOT NULL,
    minute   INTEGER NOT NULL,
    files    INTEGER NOT NULL,
    PRIMARY KEY (store, set_name, what, minute)
) STRICT, WITHOUT ROWID;

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

CREATE TABLE audit_host (
    audit INTEGER NOT NULL,
    host  TEXT NOT NULL,
    read  INTEGER NOT NULL,
    bytes INTEGER NOT NULL,
    PRIMARY KEY (audit, host)
) STRICT;

CREATE TABLE backup (
    store   TEXT PRIMARY KEY,
    at      INTEGER NOT NULL,
    events  INTEGER NOT NULL,                -- how many the record had
    bytes   INTEGER NOT NULL,
    trouble TEXT NOT NULL                   -- why the last try failed; '' if it didn't
) STRICT;

CREATE TABLE bearing (
    store TEXT NOT NULL PRIMARY KEY,
    n     INTEGER NOT NULL,
    tried INTEGER NOT NULL,
    why   TEXT NOT NULL,
    at    INTEGER NOT NULL,
    state TEXT NOT NULL
) STRICT;

CREATE TABLE block (
    file INTEGER NOT NULL,
    n    INTEGER NOT NULL,
    sums BLOB NOT NULL,
    PRIMARY KEY (file, n)
) STRICT;

CREATE TABLE counter (
    name  TEXT PRIMARY KEY,
    value INTEGER NOT NULL
) STRICT;

CREATE TABLE day (
    store    TEXT NOT NULL,
    day      TEXT NOT NULL,                 -- YYYY-MM-DD, UTC
    read     INTEGER NOT NULL,
    bytes    INTEGER NOT NULL,
    findings INTEGER NOT NULL,
    PRIMARY KEY (store, day)
) STRICT, WITHOUT ROWID;

CREATE TABLE difference (
    audit    INTEGER NOT NULL,
    set_name TEXT NOT NULL,
    top      BLOB NOT NULL,
    at       BLOB NOT NULL,
    file     INTEGER NOT NULL,
    instead  TEXT NOT NULL DEFAULT '', -- what lies there that is no file of bytes
    PRIMARY KEY (audit, set_name, top, at)
) STRICT, WITHOUT ROWID;

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

CREATE TABLE disc_decision (
    id      INTEGER PRIMARY KEY,
    verdict TEXT NOT NULL,
    gain    INTEGER,                        -- thousandths of a dB; NULL: whatever it is
    within  INTEGER NOT NULL,               -- to either side, likewise
    reason  TEXT NOT NULL,
    by_name TEXT NOT NULL,
    at      INTEGER NOT NULL
) STRICT;

CREATE TABLE disc_draw (
    month TEXT NOT NULL,
    round INTEGER NOT NULL,
    disc  INTEGER NOT NULL,
    at    INTEGER NOT NULL,
    PRIMARY KEY (round, disc)
);

CREATE TABLE disc_file (
    disc    INTEGER NOT NULL,
    n       INTEGER NOT NULL,               -- 1 is the first
    file    INTEGER NOT NULL,
    version INTEGER NOT NULL,
    name    BLOB NOT NULL,                  -- on a data disc, its path below the folder that was burned
    PRIMARY KEY (disc, n)
) STRICT, WITHOUT ROWID;

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

CREATE TABLE extent (
    set_name TEXT NOT NULL,
    held     TEXT NOT NULL,
    read     TEXT NOT NULL,
    files    INTEGER NOT NULL,
    sound    INTEGER NOT NULL,               -- nanoseconds, as far as that is known
    unknown  INTEGER NOT NULL,               -- files whose length isn't
    PRIMARY KEY (set_name, held, read)
) STRICT, WITHOUT ROWID;

CREATE TABLE few (
    stores INTEGER NOT NULL,
    file   INTEGER NOT NULL,
    PRIMARY KEY (stores, file)
) STRICT, WITHOUT ROWID;

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
    audit       INTEGER NOT NULL DEFAULT 0,  -- that opened it
    opened_at   INTEGER NOT NULL,
    seen_at     INTEGER NOT NULL,
    settled     TEXT NOT NULL DEFAULT '',
    settled_at  INTEGER NOT NULL DEFAULT 0,
    settled_by  TEXT NOT NULL DEFAULT '',
    reason      TEXT NOT NULL DEFAULT ''
, version INTEGER NOT NULL DEFAULT 0, facts TEXT NOT NULL DEFAULT '{}') STRICT;

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

CREATE TABLE holdings (
    id    TEXT PRIMARY KEY,
    begun INTEGER NOT NULL
) STRICT;

CREATE TABLE host (
    name     TEXT NOT NULL PRIMARY KEY,
    version  TEXT NOT NULL,
    agreed   TEXT NOT NULL,
    began_at INTEGER NOT NULL,
    ahead    INTEGER NOT NULL DEFAULT 0,
    has      TEXT NOT NULL DEFAULT '',
    seen_at  INTEGER NOT NULL
) STRICT;

CREATE TABLE incident (
    id        INTEGER PRIMARY KEY,
    kind      TEXT NOT NULL,
    store     TEXT NOT NULL,
    set_name  TEXT NOT NULL,
    audit     INTEGER NOT NULL,
    files     INTEGER NOT NULL,
    opened_at INTEGER NOT NULL
) STRICT;

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
    settled_as  TEXT NOT NULL DEFAULT '', same_as TEXT NOT NULL DEFAULT '', inode_at INTEGER NOT NULL DEFAULT 0, told_as TEXT NOT NULL DEFAULT '', reported_by TEXT NOT NULL DEFAULT '', sole INTEGER NOT NULL DEFAULT 0,   -- the condition that a person settled
    PRIMARY KEY (store, set_name, carrier, top, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE item (
    set_name TEXT NOT NULL,
    item     BLOB NOT NULL,
    files    INTEGER NOT NULL,
    PRIMARY KEY (set_name, item)
) STRICT, WITHOUT ROWID;

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

CREATE TABLE letter_cursor (
    id        INTEGER PRIMARY KEY CHECK (id = 1),
    seq       INTEGER NOT NULL,             -- the first event that no letter rests on yet
    fills     INTEGER NOT NULL,             -- counts up, so that of two fillers one loses
    weekly_at INTEGER NOT NULL,             -- for when the newest weekly letter was due; 0: none yet
    begun_at  INTEGER NOT NULL              -- letters have been written since
) STRICT;

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

CREATE TABLE level_statement (
    id           INTEGER NOT NULL PRIMARY KEY,
    point        TEXT NOT NULL,
    day          TEXT NOT NULL,                 -- YYYY-MM-DD
    words        TEXT NOT NULL,
    by_name      TEXT NOT NULL,
    at           INTEGER NOT NULL,
    withdrawn_at INTEGER NOT NULL DEFAULT 0,
    withdrawn_by TEXT NOT NULL DEFAULT '',
    reason       TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE log_hash (
    idx  INTEGER PRIMARY KEY,
    hash BLOB NOT NULL
) STRICT;

CREATE TABLE log_head (
    id     INTEGER PRIMARY KEY CHECK (id = 1),
    origin TEXT NOT NULL,
    size   INTEGER NOT NULL,
    root   BLOB NOT NULL
) STRICT;

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

CREATE TABLE manifest_owed (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    folder   BLOB NOT NULL,
    marks    INTEGER NOT NULL,
    PRIMARY KEY (store, set_name, folder)
) STRICT, WITHOUT ROWID;

CREATE TABLE mount (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    folder   BLOB NOT NULL,
    volume   TEXT NOT NULL,
    PRIMARY KEY (store, set_name, folder)
) STRICT, WITHOUT ROWID;

CREATE TABLE note (
    file   INTEGER NOT NULL,
    n      INTEGER NOT NULL,
    seq    INTEGER NOT NULL,
    code   TEXT NOT NULL,
    at     INTEGER NOT NULL,                 -- byte
    length INTEGER NOT NULL,                 -- bytes
    since  INTEGER NOT NULL,                 -- stretch of the recording, nanoseconds
    until  INTEGER NOT NULL,
    count  INTEGER NOT NULL,
    PRIMARY KEY (file, n, seq)
) STRICT, WITHOUT ROWID;

CREATE TABLE pace (
    store TEXT PRIMARY KEY,
    bytes INTEGER NOT NULL,
    took  INTEGER NOT NULL,                  -- nanoseconds of reading, pauses not counted
    at    INTEGER NOT NULL
) STRICT;

CREATE TABLE portion (
    audit  INTEGER PRIMARY KEY,
    due_at INTEGER NOT NULL,                -- of the last copy whose turn it is,
    file   INTEGER NOT NULL,                -- and its file
    files  INTEGER NOT NULL,                -- due, and put off to another day
    bytes  INTEGER NOT NULL
) STRICT;

CREATE TABLE proposal (
    id       INTEGER NOT NULL PRIMARY KEY,
    act      TEXT NOT NULL,
    what     TEXT NOT NULL,
    by_name  TEXT NOT NULL,
    reason   TEXT NOT NULL,
    made_at  INTEGER NOT NULL,
    ended_at INTEGER NOT NULL DEFAULT 0,
    ended_by TEXT NOT NULL DEFAULT '',
    outcome  TEXT NOT NULL DEFAULT ''
) STRICT;

CREATE TABLE read_first (
    audit    INTEGER NOT NULL,
    set_name TEXT NOT NULL,
    top      BLOB NOT NULL,
    at       BLOB NOT NULL,
    PRIMARY KEY (audit, set_name, top, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE reading (
    id    INTEGER PRIMARY KEY,
    audit INTEGER NOT NULL,
    shard INTEGER NOT NULL,
    event INTEGER NOT NULL DEFAULT -1,
    n     INTEGER NOT NULL,
    lines BLOB NOT NULL
, low INTEGER NOT NULL DEFAULT 0, high INTEGER NOT NULL DEFAULT -1) STRICT;

CREATE TABLE received (
    id       INTEGER PRIMARY KEY,
    source   TEXT NOT NULL,
    set_name TEXT NOT NULL,
    folder   BLOB NOT NULL,
    at       INTEGER NOT NULL,
    by_name  TEXT NOT NULL,
    done     INTEGER NOT NULL DEFAULT 0      -- 1: it was told that the source may be erased
) STRICT;

CREATE TABLE received_file (
    received INTEGER NOT NULL,
    name     BLOB NOT NULL,              -- on the source
    clock    INTEGER NOT NULL,               -- what the recorder's clock said
    path     BLOB NOT NULL,              -- in the set
    size     INTEGER NOT NULL,
    blake3   BLOB NOT NULL,
    PRIMARY KEY (received, name)
) STRICT, WITHOUT ROWID;

CREATE TABLE record_key (
    public TEXT PRIMARY KEY,
    event  INTEGER NOT NULL
) STRICT;

CREATE TABLE register_problem (
    key     TEXT NOT NULL PRIMARY KEY,
    sheet   TEXT NOT NULL,
    line    INTEGER NOT NULL,
    col     TEXT NOT NULL,
    kind    TEXT NOT NULL,
    says    TEXT NOT NULL,
    item    BLOB NOT NULL,
    finding INTEGER NOT NULL,
    since   INTEGER NOT NULL,
    quiet   INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE register_reading (
    id       INTEGER PRIMARY KEY CHECK (id = 1),
    read_at  INTEGER NOT NULL,
    source   TEXT NOT NULL,
    file     BLOB NOT NULL,
    tried_at INTEGER NOT NULL,
    trouble  TEXT NOT NULL,
    rows     INTEGER NOT NULL,
    matched  INTEGER NOT NULL,
    waiting  INTEGER NOT NULL,
    open     INTEGER NOT NULL
, ending INTEGER NOT NULL DEFAULT 0, doubted BLOB NOT NULL DEFAULT x'', doubted_at INTEGER NOT NULL DEFAULT 0) STRICT;

CREATE TABLE register_row (
    id    INTEGER PRIMARY KEY,
    since INTEGER NOT NULL,
    until INTEGER NOT NULL,
    item  BLOB NOT NULL,
    side  TEXT NOT NULL,
    cells TEXT NOT NULL
) STRICT;

CREATE TABLE register_says (
    item       BLOB NOT NULL,
    side       TEXT NOT NULL,
    sheet      TEXT NOT NULL,
    line       INTEGER NOT NULL,
    condition  TEXT NOT NULL,
    restricted INTEGER NOT NULL,
    unplayable INTEGER NOT NULL,
    says       TEXT NOT NULL,
    PRIMARY KEY (item, side)
) STRICT, WITHOUT ROWID;

CREATE TABLE register_version (
    n        INTEGER PRIMARY KEY,
    at       INTEGER NOT NULL,
    by_name  TEXT NOT NULL,
    source   TEXT NOT NULL,
    sheet    TEXT NOT NULL,
    columns  TEXT NOT NULL,
    file     BLOB NOT NULL,
    held     BLOB NOT NULL,
    lines    TEXT NOT NULL,
    rows     INTEGER NOT NULL,
    added    INTEGER NOT NULL,
    deleted  INTEGER NOT NULL,
    changed  INTEGER NOT NULL,
    moved    INTEGER NOT NULL
) STRICT;

CREATE TABLE remark (
    audit INTEGER NOT NULL,
    n     INTEGER NOT NULL,
    text  TEXT NOT NULL,
    PRIMARY KEY (audit, n)
) STRICT, WITHOUT ROWID;

CREATE TABLE service_day (
    store TEXT NOT NULL,
    day   TEXT NOT NULL,                    -- YYYY-MM-DD, by the local clock
    bytes INTEGER NOT NULL,                 -- read on it, whatever for
    PRIMARY KEY (store, day)
) STRICT, WITHOUT ROWID;

CREATE TABLE service_item (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    at       BLOB NOT NULL,
    id       TEXT NOT NULL,
    owner    TEXT NOT NULL,
    PRIMARY KEY (store, set_name, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE service_log (
    store  TEXT PRIMARY KEY,
    folder TEXT NOT NULL,                   -- the log is that of this folder's drive
    token  TEXT NOT NULL
) STRICT;

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
    trouble  TEXT NOT NULL DEFAULT '', touched INTEGER NOT NULL DEFAULT 0,      -- why it isn't complete
    UNIQUE (audit, set_name, top)
) STRICT;

CREATE TABLE stated (
    id    INTEGER PRIMARY KEY,
    event INTEGER NOT NULL DEFAULT -1,
    n     INTEGER NOT NULL,
    lines BLOB NOT NULL
) STRICT;

CREATE TABLE store (
    name       TEXT PRIMARY KEY,
    kind       TEXT NOT NULL,
    holdings   TEXT NOT NULL DEFAULT '',    -- what its marker says
    identity   TEXT NOT NULL DEFAULT '',    -- id by marker, or the service's ids
    place      TEXT NOT NULL DEFAULT '',
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
    volume TEXT NOT NULL DEFAULT '', filling INTEGER NOT NULL DEFAULT 0, arrived_at INTEGER NOT NULL DEFAULT 0,
    PRIMARY KEY (store, set_name)
) STRICT;

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
    peace    INTEGER NOT NULL DEFAULT 0, reported TEXT NOT NULL DEFAULT '',     -- 1: a person left it in peace
    PRIMARY KEY (store, set_name, top, at)
) STRICT, WITHOUT ROWID;

CREATE TABLE tally (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    state    TEXT NOT NULL,
    files    INTEGER NOT NULL,
    bytes    INTEGER NOT NULL,
    PRIMARY KEY (store, set_name, state)
) STRICT, WITHOUT ROWID;

CREATE TABLE told (
    finding   INTEGER PRIMARY KEY,
    thread    TEXT NOT NULL,
    kind      TEXT NOT NULL,                -- as told last
    urgency   TEXT NOT NULL,
    first_at  INTEGER NOT NULL,
    readings  TEXT NOT NULL,                -- stores whose copies were said to be read since, by blanks
    deputy_at INTEGER NOT NULL DEFAULT 0,
    ended_at  INTEGER NOT NULL DEFAULT 0    -- its end was told, or needs no letter
, wrong_way INTEGER NOT NULL DEFAULT 0) STRICT;

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
    at       INTEGER NOT NULL, sound TEXT NOT NULL DEFAULT '', checksums TEXT NOT NULL DEFAULT '',
    PRIMARY KEY (file, n)
) STRICT;

CREATE TABLE web_link (
    token   BLOB NOT NULL PRIMARY KEY,
    made_at INTEGER NOT NULL,
    ends_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;

CREATE TABLE web_place (
    account TEXT NOT NULL,
    place   BLOB NOT NULL,
    at      INTEGER NOT NULL,
    PRIMARY KEY (account, place)
) STRICT, WITHOUT ROWID;

CREATE TABLE web_session (
    token   BLOB NOT NULL PRIMARY KEY,
    account TEXT NOT NULL, -- '' for whoever opened a one-time link
    began_at INTEGER NOT NULL,
    seen_at  INTEGER NOT NULL,
    ends_at  INTEGER NOT NULL,
    looked_at INTEGER NOT NULL DEFAULT 0 -- when the person was here before
) STRICT, WITHOUT ROWID;

CREATE INDEX audit_store ON audit (store, id);

CREATE INDEX disc_check_disc ON disc_check (disc, id);

CREATE INDEX disc_file_file ON disc_file (file);

CREATE UNIQUE INDEX disc_number ON disc (number, twin, part) WHERE retired_at = 0;

CREATE INDEX disc_toc ON disc (toc);

CREATE INDEX event_at ON event (at);

CREATE INDEX event_file ON event (file) WHERE file <> 0;

CREATE INDEX event_verb ON event (verb, seq);

CREATE INDEX file_item ON file (item);

CREATE UNIQUE INDEX file_path ON file (set_name, path) WHERE retired_at = 0;

CREATE INDEX file_retired ON file (id) WHERE retired_at <> 0;

CREATE INDEX finding_audit ON finding (audit);

CREATE INDEX finding_carrier ON finding (carrier) WHERE carrier <> 0;

CREATE INDEX finding_file ON finding (file);

CREATE UNIQUE INDEX finding_open ON finding (store, set_name, carrier, file) WHERE settled = '' AND file <> 0 AND kind <> 'unfinished';

CREATE UNIQUE INDEX finding_open_other ON finding (store, set_name, subject, kind, path) WHERE settled = '' AND file = 0;

CREATE UNIQUE INDEX finding_open_unfinished ON finding (file) WHERE settled = '' AND kind = 'unfinished';

CREATE INDEX finding_unfinished ON finding (file) WHERE kind = 'unfinished';

CREATE INDEX finding_unsettled ON finding (store, kind, urgency, file) WHERE settled = '';

CREATE INDEX instance_ahead ON instance (store, due_at) WHERE due_at < 0;

CREATE INDEX instance_file ON instance (file);

CREATE INDEX instance_settled ON instance (store, set_name) WHERE settled_as <> '';

CREATE INDEX instance_state ON instance (store, set_name, state) WHERE state <> 'intact';

CREATE INDEX letter_sent ON letter_to (sent_at);

CREATE INDEX letter_thread ON letter (thread, id);

CREATE INDEX letter_waits ON letter_to (due_at) WHERE sent_at = 0 AND failed_at = 0;

CREATE INDEX note_code ON note (code);

CREATE INDEX proposal_open ON proposal (id) WHERE ended_at = 0;

CREATE INDEX reading_audit ON reading (audit);

CREATE INDEX reading_event ON reading (event);

CREATE INDEX reading_files ON reading (low, high, event);

CREATE INDEX reading_shard ON reading (shard);

CREATE INDEX register_problem_kind ON register_problem (kind, line, key);

CREATE INDEX register_row_item ON register_row (item) WHERE until = 0;

CREATE INDEX register_row_since ON register_row (since);

CREATE INDEX register_row_until ON register_row (until);

CREATE INDEX service_item_id ON service_item (store, id);

CREATE INDEX stated_event ON stated (event);

CREATE INDEX stray_due ON stray (store, set_name, top) WHERE due = 1;

CREATE INDEX stray_file ON stray (file) WHERE file <> 0;

CREATE INDEX told_thread ON told (thread);

CREATE INDEX version_blake3 ON version (substr(blake3, 1, 8));
