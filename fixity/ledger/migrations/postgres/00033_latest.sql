-- +goose Up
-- The latest time of any event: each command compares the clock with it.
CREATE INDEX event_at ON event (at);
