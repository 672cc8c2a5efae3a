-- +goose Up
-- Findings tell facts and no sentences. The sentence of an earlier finding is made a fact,
-- word for word, at the next opening; from then on detail is empty. What an audit under way
-- keeps of a file that is gone, and of names, is in the same form: instead and text hold
-- facts as JSON.
INSERT INTO counter (name, value) SELECT 'facts to tell', 1 WHERE EXISTS (SELECT 1 FROM finding WHERE detail <> '');
