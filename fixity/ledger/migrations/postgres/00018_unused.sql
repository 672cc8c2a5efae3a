-- +goose Up
-- Columns that nothing writes any more are gone. Where an earlier finding's sentence was not
-- made a fact yet (15), it is here, word for word, and all rows are stated anew.
INSERT INTO stated (id, event, n, lines) SELECT 0, -2, 0, '\x' FROM log_head
    WHERE EXISTS (SELECT 1 FROM finding WHERE detail <> '') AND NOT EXISTS (SELECT 1 FROM stated WHERE id = 0);
UPDATE finding SET facts = jsonb_set(facts::jsonb, '{seen}', jsonb_build_array(jsonb_build_object('is', 'as-told', 'said', jsonb_build_array(detail)))
        || coalesce(facts::jsonb -> 'seen', '[]'::jsonb))::text
    WHERE detail <> '';
DELETE FROM counter WHERE name = 'facts to tell';
ALTER TABLE finding DROP COLUMN detail;
ALTER TABLE store DROP COLUMN medium;
ALTER TABLE store DROP COLUMN follows;
ALTER TABLE store_set DROP COLUMN cursor;
