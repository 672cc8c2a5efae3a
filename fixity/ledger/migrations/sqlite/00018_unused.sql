-- +goose Up
-- Columns that nothing writes any more are gone. Where an earlier finding's sentence was not
-- made a fact yet (15), it is here, word for word, and all rows are stated anew.
INSERT INTO stated (id, event, n, lines) SELECT 0, -2, 0, x'' FROM log_head
    WHERE EXISTS (SELECT 1 FROM finding WHERE detail <> '') AND NOT EXISTS (SELECT 1 FROM stated WHERE id = 0);
UPDATE finding SET facts = json_set(facts, '$.seen', json((SELECT json_group_array(json(x.fact)) FROM (
        SELECT json_object('is', 'as-told', 'said', json_array(finding.detail)) AS fact
        UNION ALL SELECT s.value FROM json_each(finding.facts, '$.seen') AS s) AS x)))
    WHERE detail <> '';
DELETE FROM counter WHERE name = 'facts to tell';
ALTER TABLE finding DROP COLUMN detail;
ALTER TABLE store DROP COLUMN medium;
ALTER TABLE store DROP COLUMN follows;
ALTER TABLE store_set DROP COLUMN cursor;
