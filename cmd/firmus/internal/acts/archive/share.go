package archive

import (
	"context"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Share has the work of an audit done by all hosts that reach its store.
type Share interface {
	// Takes says that a store's audits are shared out: a host that may reach it runs.
	Takes(ctx context.Context, store string) (bool, error)
	// Work has those shards of an audit done that wait in a phase, and gives nil once none
	// waits. windows: outside the store's window nothing is read. The error wraps fixity.ErrAway
	// if for some time no host that runs has found the store where it should be.
	Work(ctx context.Context, a ledger.Audit, p fixity.Phase, windows bool) error
	// FollowUp has that read of a store which is due ahead of all others.
	FollowUp(ctx context.Context, store string, cache fixity.Cache) error
	// Compare has a finding's copy in a store compared with an intact one in another, by a host
	// that has found both stores. The error wraps fixity.ErrAway if none runs that has.
	Compare(ctx context.Context, finding int64, bad string, good []string) error
	// Having names the other hosts that run and found the store where it should be.
	Having(ctx context.Context, store string) ([]string, error)
}

// Reaches says that a store may be used from this computer: it is no other host's alone.
func (e *Archive) Reaches(store string) bool {
	return e.Elsewhere == nil || len(e.Elsewhere(store)) == 0
}
