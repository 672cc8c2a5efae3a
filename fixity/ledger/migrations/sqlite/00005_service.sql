-- +goose Up
-- What a service calls the files that it keeps: what a listing no longer shows is
-- asked for by id. And whose they are: an account's files go when it goes.
CREATE TABLE service_item (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    at       BLOB NOT NULL,
    id       TEXT NOT NULL,
    owner    TEXT NOT NULL,
    PRIMARY KEY (store, set_name, at)
) STRICT, WITHOUT ROWID;
