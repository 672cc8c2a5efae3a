-- +goose Up
-- Acts that one person ordered and a second has to confirm. what is the order as JSON, with
-- the marks of what its person saw. ended_at is 0 while it waits.
CREATE TABLE proposal (
    id       BIGINT NOT NULL PRIMARY KEY,
    act      TEXT COLLATE "C" NOT NULL,
    what     TEXT COLLATE "C" NOT NULL,
    by_name  TEXT COLLATE "C" NOT NULL,
    reason   TEXT COLLATE "C" NOT NULL,
    made_at  BIGINT NOT NULL,
    ended_at BIGINT NOT NULL DEFAULT 0,
    ended_by TEXT COLLATE "C" NOT NULL DEFAULT '',
    outcome  TEXT COLLATE "C" NOT NULL DEFAULT ''
);
CREATE INDEX proposal_open ON proposal (id) WHERE ended_at = 0;

-- Where a person signed in before, as a hash: who guesses passwords elsewhere doesn't hold
-- them up there.
CREATE TABLE web_place (
    account TEXT COLLATE "C" NOT NULL,
    place   BYTEA NOT NULL,
    at      BIGINT NOT NULL,
    PRIMARY KEY (account, place)
);
