-- +goose Up
-- Most copies are intact, and nobody asks for those by their state: an index of all of them
-- was an eighth of a large ledger. What persons settled is counted after each audit.
DROP INDEX instance_state;
CREATE INDEX instance_state ON instance (store, set_name, state) WHERE state <> 'intact';
CREATE INDEX instance_settled ON instance (store, set_name) WHERE settled_as <> '';
