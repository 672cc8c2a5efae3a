// Package recovering puts copies right: what is damaged, lacks or lies elsewhere gets an
// intact copy's bytes, on a person's order and never by itself.
package recovering

import (
	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
)

// Acts are those that put an archive's copies right.
type Acts struct{ acts.Acts }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{acts.Of(a)} }
