-- +goose Up
-- How many hosts a store bears that read it at the same time, as was measured: n may read now, tried
-- were held against that, why says why there are no more, at when that was found; state is what who
-- measures knows besides.
CREATE TABLE bearing (
    store TEXT NOT NULL PRIMARY KEY,
    n     INTEGER NOT NULL,
    tried INTEGER NOT NULL,
    why   TEXT NOT NULL,
    at    INTEGER NOT NULL,
    state TEXT NOT NULL
) STRICT;
