-- +goose Up
-- What a service calls the files that it keeps: what a listing no longer shows is
-- asked for by id. And whose they are: an account's files go when it goes.
CREATE TABLE service_item (
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    at       BYTEA NOT NULL,
    id       TEXT COLLATE "C" NOT NULL,
    owner    TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (store, set_name, at)
);
