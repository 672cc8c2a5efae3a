// Package acts and the packages below it hold what a person or the clock can order, one
// function each: who, why, and what about. An act is a transaction that changes state, writes
// the event and makes the touched files due; then the touched copies are read. What offers
// acts (commands, pages, watch, schedule) calls these packages and nothing below them.
//
// This package has audits, and what reads or shows what they found. What a person decides is in
// deciding, what takes files under care in receiving, what puts copies right in recovering, what
// is written beside files in manifests, copies of the ledger in backups; reading reads the
// register. What all of them work with is in archive, the sound of a file that is read in hearing.
package acts

import "firmus/cmd/firmus/internal/acts/archive"

// Acts are audits, and what is asked about files, stores and findings.
type Acts struct{ *archive.Archive }

// Of are those of an archive.
func Of(a *archive.Archive) Acts { return Acts{a} }
