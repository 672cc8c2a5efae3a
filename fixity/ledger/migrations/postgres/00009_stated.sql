-- +goose Up
-- What the record says of rows of other tables, packed lines whose RFC 6962 root stands
-- in their event. event is -1 until an event accounts for them: the next one does.
-- Short ones stand in the event itself.
CREATE TABLE stated (
    id    BIGINT PRIMARY KEY,
    event BIGINT NOT NULL DEFAULT -1,
    n     BIGINT NOT NULL,
    lines BYTEA NOT NULL
);
CREATE INDEX stated_event ON stated (event);

-- Of a ledger that has begun, all that is in it is to be stated: row 0 asks for that.
INSERT INTO stated (id, event, n, lines) SELECT 0, -2, 0, '\x' FROM log_head;
