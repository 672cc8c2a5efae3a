// Package deciding holds what a person decides about files, stores and findings: what is
// signed off, settled, declared finished, retired or replaced, and the second person who has
// to agree where a set asks for two. Each is one transaction as in package acts, whose audits
// read what was touched.
package deciding

import (
	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
)

// Acts are what a person decides.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }

// audits read what a decision touched.
func (e Acts) audits() acts.Acts { return acts.Of(e.Archive) }
