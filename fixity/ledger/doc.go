// Package ledger is the SQL record of what is under care, what each store was
// shown to hold, what was found and what people decided.
//
// One text of queries runs on SQLite (embedded, the default) and on PostgreSQL.
// Every act, every turn of a finding and every slice of an audit is a leaf of an
// append-only log with a Merkle tree over it (package mlog), written in the same
// transaction as what it tells of, so the record can't be rewritten unnoticed.
//
// A write transaction is Ledger.Tx; it takes the time it should carry, so all
// rows of one act carry the same. Methods of Tx are in files named by question.
package ledger
