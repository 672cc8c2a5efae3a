// Package mlog is the arithmetic of a log that can't be rewritten unnoticed: a
// Merkle tree over the log's records as RFC 6962, section 2.1 defines it, its
// checkpoints, and proofs that a record is in it. It is pure: no SQL, no files,
// no clock. The ledger keeps the records and the hashes and hands the hashes in
// as a tlog.HashReader.
//
// What a log of n records keeps are the tlog.StoredHashCount(n) hashes of all its
// complete subtrees, in the order that they become known. That order, and so every
// stored index, never changes.
//
// What it proves: somebody who holds an earlier checkpoint can tell whether
// today's log still begins with every record that it had then. It doesn't prove
// that a record was true when it was written, and a log whose key, hashes and
// checkpoints all lie in one hand can be made anew by that hand. So copies of the
// checkpoints belong elsewhere.
package mlog
