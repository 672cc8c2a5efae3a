// Package audit compares a store with the ledger, in slices.
//
// An audit of a store is cut into shards, one for each first-level folder. Each is
// listed and merged with what the ledger knows; when all are listed, what is
// missing is paired with what lies elsewhere, and the rest is judged; then what is
// due is read. Slice does a part of that for one shard and keeps no state between
// calls: whoever calls it, on whichever host, finds the state in the ledger.
//
// Missing exists only after a complete listing of a store that proved to be the
// right one; altered only after two readings past the page cache that agree.
package audit
