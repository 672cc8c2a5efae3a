// Package recovering puts copies right: what is damaged, lacks or lies elsewhere gets an
// intact copy's bytes, on a person's order and never by itself.
package recovering

import (
	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
)

// Acts are those that put an archive's copies right.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }

// audits read what was put right.
func (e Acts) audits() acts.Acts { return acts.Of(e.Archive) }
