-- +goose Up
-- People who may open the pages. secret is what is kept of a password: argon2id with its
-- settings and salt, in the form of the PHC string.
CREATE TABLE account (
    name    TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    role    TEXT COLLATE "C" NOT NULL CHECK (role IN ('viewer', 'technician', 'reviewer')),
    secret  TEXT COLLATE "C" NOT NULL,
    made_at BIGINT NOT NULL,
    made_by TEXT COLLATE "C" NOT NULL
);

-- Sessions, and links that begin one, by the SHA-256 of what the browser holds.
CREATE TABLE web_session (
    token   BYTEA NOT NULL PRIMARY KEY,
    account TEXT COLLATE "C" NOT NULL, -- '' for whoever opened a one-time link
    began_at BIGINT NOT NULL,
    seen_at  BIGINT NOT NULL,
    ends_at  BIGINT NOT NULL,
    looked_at BIGINT NOT NULL DEFAULT 0 -- when the person was here before
);
CREATE TABLE web_link (
    token   BYTEA NOT NULL PRIMARY KEY,
    made_at BIGINT NOT NULL,
    ends_at BIGINT NOT NULL
);
