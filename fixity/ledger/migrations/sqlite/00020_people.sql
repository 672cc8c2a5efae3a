-- +goose Up
-- People who may open the pages. secret is what is kept of a password: argon2id with its
-- settings and salt, in the form of the PHC string.
CREATE TABLE account (
    name    TEXT NOT NULL PRIMARY KEY,
    role    TEXT NOT NULL CHECK (role IN ('viewer', 'technician', 'reviewer')),
    secret  TEXT NOT NULL,
    made_at INTEGER NOT NULL,
    made_by TEXT NOT NULL
) STRICT, WITHOUT ROWID;

-- Sessions, and links that begin one, by the SHA-256 of what the browser holds.
CREATE TABLE web_session (
    token   BLOB NOT NULL PRIMARY KEY,
    account TEXT NOT NULL, -- '' for whoever opened a one-time link
    began_at INTEGER NOT NULL,
    seen_at  INTEGER NOT NULL,
    ends_at  INTEGER NOT NULL,
    looked_at INTEGER NOT NULL DEFAULT 0 -- when the person was here before
) STRICT, WITHOUT ROWID;
CREATE TABLE web_link (
    token   BLOB NOT NULL PRIMARY KEY,
    made_at INTEGER NOT NULL,
    ends_at INTEGER NOT NULL
) STRICT, WITHOUT ROWID;
