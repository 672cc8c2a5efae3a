-- +goose Up
-- What a finding tells besides its verdict, as JSON of fixed names: the wrong bytes that
-- were seen, when the copy was last intact, whose wrong bytes they are.
ALTER TABLE finding ADD COLUMN facts TEXT NOT NULL DEFAULT '{}';

-- A letter said that the copy may have been copied the wrong way round.
ALTER TABLE told ADD COLUMN wrong_way INTEGER NOT NULL DEFAULT 0;
