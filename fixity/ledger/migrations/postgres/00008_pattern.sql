-- +goose Up
-- The digest that a service reports of what lies there under no one's care, with its
-- algorithm before a colon: what was moved is known again by it.
ALTER TABLE stray ADD COLUMN reported TEXT COLLATE "C" NOT NULL DEFAULT '';

-- What an audit has to tell that is no finding.
CREATE TABLE remark (
    audit BIGINT NOT NULL,
    n     BIGINT NOT NULL,
    text  TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (audit, n)
);
