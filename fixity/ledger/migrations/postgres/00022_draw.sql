-- +goose Up
-- Which discs were drawn by chance, to be read in a month: in a round nothing is drawn twice.
CREATE TABLE disc_draw (
    month TEXT COLLATE "C" NOT NULL,
    round BIGINT NOT NULL,
    disc  BIGINT NOT NULL,
    at    BIGINT NOT NULL,
    PRIMARY KEY (round, disc)
);
