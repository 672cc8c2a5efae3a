-- +goose Up
-- The digest that a service reports of what lies there under no one's care, with its
-- algorithm before a colon: what was moved is known again by it.
ALTER TABLE stray ADD COLUMN reported TEXT NOT NULL DEFAULT '';

-- What an audit has to tell that is no finding.
CREATE TABLE remark (
    audit INTEGER NOT NULL,
    n     INTEGER NOT NULL,
    text  TEXT NOT NULL,
    PRIMARY KEY (audit, n)
) STRICT, WITHOUT ROWID;
