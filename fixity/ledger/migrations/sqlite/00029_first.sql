-- +goose Up
-- What an audit reads before all else: copies of what can't be transferred again, by the
-- register in force when its reading began.
CREATE TABLE read_first (
    audit    INTEGER NOT NULL,
    set_name TEXT NOT NULL,
    top      BLOB NOT NULL,
    at       BLOB NOT NULL,
    PRIMARY KEY (audit, set_name, top, at)
) STRICT, WITHOUT ROWID;
