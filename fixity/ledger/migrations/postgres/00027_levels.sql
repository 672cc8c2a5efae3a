-- +goose Up
-- What people state of the preservation levels: of a point, since which day, in which words.
-- withdrawn_at is 0 while it holds.
CREATE TABLE level_statement (
    id           BIGINT NOT NULL PRIMARY KEY,
    point        TEXT COLLATE "C" NOT NULL,
    day          TEXT COLLATE "C" NOT NULL,
    words        TEXT COLLATE "C" NOT NULL,
    by_name      TEXT COLLATE "C" NOT NULL,
    at           BIGINT NOT NULL,
    withdrawn_at BIGINT NOT NULL DEFAULT 0,
    withdrawn_by TEXT COLLATE "C" NOT NULL DEFAULT '',
    reason       TEXT COLLATE "C" NOT NULL DEFAULT ''
);
