-- +goose Up
-- What an audit reads before all else: copies of what can't be transferred again, by the
-- register in force when its reading began.
CREATE TABLE read_first (
    audit    BIGINT NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    top      BYTEA NOT NULL,
    at       BYTEA NOT NULL,
    PRIMARY KEY (audit, set_name, top, at)
);
