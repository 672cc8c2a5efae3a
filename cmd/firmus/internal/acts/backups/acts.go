// Package backups keeps what remains of a ledger elsewhere, event files and copies in the
// stores, and brings a lost one back from them.
package backups

import "firmus/cmd/firmus/internal/acts/archive"

// Acts are those on the backups of an archive's ledger.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }
