-- +goose Up
-- The condition of a copy on a disc that the finding about the disc as a whole tells: it
-- has no finding of its own, and nobody settled it.
ALTER TABLE instance ADD COLUMN told_as TEXT NOT NULL DEFAULT '';
