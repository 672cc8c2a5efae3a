-- +goose Up
-- Manifests that a store is owed: what they should say has changed, or they are gone.
-- marks counts the changes, so that one which comes while a manifest is being written
-- stays owed. No manifest was written for what a kill left behind before this: each is
-- looked at once.
CREATE TABLE manifest_owed (
    store    TEXT COLLATE "C" NOT NULL,
    set_name TEXT COLLATE "C" NOT NULL,
    folder   BYTEA NOT NULL,
    marks    BIGINT NOT NULL,
    PRIMARY KEY (store, set_name, folder)
);
INSERT INTO manifest_owed (store, set_name, folder, marks)
    SELECT DISTINCT store, set_name, top, 1 FROM instance WHERE carrier = 0;
