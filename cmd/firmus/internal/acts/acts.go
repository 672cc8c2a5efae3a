// Package acts holds what a person or the clock can order, one function each: who,
// why, and what about. Each act is one transaction that changes state, writes the
// event and makes the touched files due; then the touched copies are read. What
// offers acts (commands, pages, watch, schedule) calls this package and nothing
// below it.
//
// This package has audits, and what reads or shows what they found. What a person decides is
// in deciding, what takes files under care in receiving, what is written beside them in
// manifests; copies of the ledger are in backups.
package acts

import "firmus/cmd/firmus/internal/acts/archive"

// Acts are audits, and what is asked about files, stores and findings.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }
