-- +goose Up
-- A transfer that was not whole when it was first looked at is a finding about a version
-- of a file: it stands beside any finding about a copy.

ALTER TABLE finding ADD COLUMN version INTEGER NOT NULL DEFAULT 0;  -- that an unfinished one is about
DROP INDEX finding_open;
CREATE UNIQUE INDEX finding_open ON finding (store, set_name, carrier, file) WHERE settled = '' AND file <> 0 AND kind <> 'unfinished';
CREATE UNIQUE INDEX finding_open_unfinished ON finding (file) WHERE settled = '' AND kind = 'unfinished';
CREATE INDEX finding_unfinished ON finding (file) WHERE kind = 'unfinished';

-- Notes from before such findings are to be looked through once.
INSERT INTO counter (name, value) SELECT 'notes to judge', 1 WHERE EXISTS (SELECT 1 FROM note);
