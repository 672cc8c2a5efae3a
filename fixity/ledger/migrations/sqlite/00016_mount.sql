-- +goose Up
-- First-level folders of roots that lie on another volume than the root does: where such
-- a volume isn't mounted, nothing is known of the folder's files.
CREATE TABLE mount (
    store    TEXT NOT NULL,
    set_name TEXT NOT NULL,
    folder   BLOB NOT NULL,
    volume   TEXT NOT NULL,
    PRIMARY KEY (store, set_name, folder)
) STRICT, WITHOUT ROWID;
