package ledger

import "firmus/fixity"

// Exec runs SQL as the ledger does: the record tells of the rows that it changes.
func (t *Tx) Exec(query string, args ...any) error {
	_, err := t.exec(query, args...)
	return err
}

// SortedAtOnce is sortedAtOnce.
const SortedAtOnce = sortedAtOnce

// HaveFindings is haveFindings.
const HaveFindings = haveFindings

// SameBytes is sameBytes.
var SameBytes = sameBytes

// MostAtOnce is how many files EachWorking reads at once.
const MostAtOnce = mostAtOnce

// Put is put.
func (t Strays) Put(store, set string, es ...fixity.Entry) error { return t.put(store, set, es...) }
