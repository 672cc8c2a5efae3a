// Package manifests keeps the manifests beside the files: it judges those that lie there
// and writes those that are owed.
package manifests

import "firmus/cmd/firmus/internal/acts/archive"

// Acts are those on the manifests of an archive.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }
