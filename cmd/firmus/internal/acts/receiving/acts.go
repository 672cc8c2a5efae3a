// Package receiving takes files under care, whether they come on a stick, lie in an
// arrivals store, or were under care before the ledger was lost; and it says which
// sources may be erased.
package receiving

import "firmus/cmd/firmus/internal/acts/archive"

// Acts are those that take files into an archive.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }
