-- +goose Up
-- How many hosts a store bears that read it at the same time, as was measured: n may read now, tried
-- were held against that, why says why there are no more, at when that was found; state is what who
-- measures knows besides.
CREATE TABLE bearing (
    store TEXT COLLATE "C" NOT NULL PRIMARY KEY,
    n     BIGINT NOT NULL,
    tried BIGINT NOT NULL,
    why   TEXT COLLATE "C" NOT NULL,
    at    BIGINT NOT NULL,
    state TEXT COLLATE "C" NOT NULL
);
