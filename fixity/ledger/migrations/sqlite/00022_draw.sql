-- +goose Up
-- Which discs were drawn by chance, to be read in a month: in a round nothing is drawn twice.
CREATE TABLE disc_draw (
    month TEXT NOT NULL,
    round INTEGER NOT NULL,
    disc  INTEGER NOT NULL,
    at    INTEGER NOT NULL,
    PRIMARY KEY (round, disc)
);
