-- +goose Up
-- How the register's text ended when it was read last (0: it is no text, or that isn't known),
-- and the file that looked half written, with when it was first seen so.
ALTER TABLE register_reading ADD COLUMN ending BIGINT NOT NULL DEFAULT 0;
ALTER TABLE register_reading ADD COLUMN doubted BYTEA NOT NULL DEFAULT '\x';
ALTER TABLE register_reading ADD COLUMN doubted_at BIGINT NOT NULL DEFAULT 0;
