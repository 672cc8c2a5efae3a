-- +goose Up
-- Which files the result lines of a reading are about: the first and the last of their numbers,
-- so that what befell a few files is found without unpacking the readings of all. Of rows that
-- were written before, it is found out when the ledger is opened next.
ALTER TABLE reading ADD COLUMN low BIGINT NOT NULL DEFAULT 0;
ALTER TABLE reading ADD COLUMN high BIGINT NOT NULL DEFAULT -1;
CREATE INDEX reading_files ON reading (low, high, event);
INSERT INTO counter (name, value) SELECT 'readings to range', 1 FROM log_head;

-- Events are asked for by what they tell: an item's hand-overs, a year's acts.
CREATE INDEX event_verb ON event (verb, seq);
