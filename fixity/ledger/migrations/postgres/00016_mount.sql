-- +goose Up
-- First-level folders of roots that lie on another volume than the root does: where such
-- a volume isn't mounted, nothing is known of the folder's files.
CREATE TABLE mount (
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    folder   BYTEA NOT NULL,
    volume   TEXT COLLATE "C" NOT NULL,
    PRIMARY KEY (store, set_name, folder)
);
