package mlog

import (
	"errors"
	"fmt"

	"golang.org/x/mod/sumdb/tlog"
)

// ErrRewritten says that the log isn't what it was: a record or a hash differs
// from what was recorded, or records are gone.
var ErrRewritten = errors.New("the log has been rewritten")

// maxSize is above the number of records that any log has: beyond it the stored
// indexes, twice as many, don't fit an int64, and tlog's search for a power of two
// never ends.
const maxSize = 1 << 62

func isSize(n int64) bool { return 0 <= n && n < maxSize }

// Append gives the hashes that one more record adds to a log of size records:
// the record's own, and that of each subtree which it completes. They are to be
// stored at tlog.StoredHashIndex(0, size) and on, in this order, and are at most
// 63. leaf isn't kept. r is asked for at most 62 hashes that are stored already.
// With an error nothing has happened and add is nil.
func Append(size int64, leaf []byte, r tlog.HashReader) (add []tlog.Hash, err error) {
	if !isSize(size) {
		return nil, fmt.Errorf("append to a log of %d records: no log has that size", size)
	}
	add, err = tlog.StoredHashes(size, leaf, r)
	if err != nil {
		return nil, fmt.Errorf("append record %d: %w", size, err)
	}
	return add, nil
}

// Root is the hash of the tree over the first size records, that of the empty
// string for none (RFC 6962, section 2.1). It reads the stored hashes, at most 63,
// and not the records: see CheckRecord.
func Root(size int64, r tlog.HashReader) (tlog.Hash, error) {
	if !isSize(size) {
		return tlog.Hash{}, fmt.Errorf("root of %d records: no log has that size", size)
	}
	h, err := tlog.TreeHash(size, r)
	if err != nil {
		return tlog.Hash{}, fmt.Errorf("root of %d records: %w", size, err)
	}
	return h, nil
}

// CheckRecord says whether the hashes that were stored for the record at index are
// the ones that leaf gives: its own, and that of each subtree which it completed.
// Calling it for each record in turn checks every stored hash of the log. The
// error wraps ErrRewritten if they differ; any other error is r's, and says
// nothing of the record.
func CheckRecord(index int64, leaf []byte, r tlog.HashReader) error {
	want, err := Append(index, leaf, r)
	if err != nil {
		return fmt.Errorf("check record %d: %w", index, err)
	}
	at := make([]int64, len(want))
	for i := range at {
		at[i] = tlog.StoredHashIndex(0, index) + int64(i)
	}
	got, err := r.ReadHashes(at)
	if err != nil {
		return fmt.Errorf("check record %d: %w", index, err)
	}
	if len(got) != len(want) {
		return fmt.Errorf("check record %d: %d hashes asked for, %d given", index, len(want), len(got))
	}
	if got[0] != want[0] {
		return fmt.Errorf("record %d is not the one that was hashed: %w", index, ErrRewritten)
	}
	for i := range got {
		if got[i] != want[i] {
			return fmt.Errorf("a hash over records up to %d is not theirs: %w", index, ErrRewritten)
		}
	}
	return nil
}

// CheckExtends says whether a log of size records begins with exactly the records
// that it had at the checkpoint old: the old root is worked out again from today's
// hashes. The error wraps ErrRewritten if it doesn't; any other error is r's, and
// says nothing of the log. Whether old is genuine is for Open to say.
func CheckExtends(old Checkpoint, size int64, r tlog.HashReader) error {
	if !isSize(old.Size) {
		return fmt.Errorf("compare with a checkpoint of %d records: %w", old.Size, ErrMalformed)
	}
	if old.Size > size {
		return fmt.Errorf("the log has %d records and had %d at the checkpoint: %w", size, old.Size, ErrRewritten)
	}
	root, err := Root(old.Size, r)
	if err != nil {
		return fmt.Errorf("compare with the checkpoint of %d records: %w", old.Size, err)
	}
	if root != old.Root {
		return fmt.Errorf("the first %d records are not those of the checkpoint: %w", old.Size, ErrRewritten)
	}
	return nil
}
