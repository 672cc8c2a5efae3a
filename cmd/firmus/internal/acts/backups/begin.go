package backups

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
)

// LostError says that there is no ledger, though there was one: something of it lies in
// the state folder or in a store. It matches fixity.ErrRefused. Nothing was made.
type LostError struct {
	Ledger string   // where it should be
	Tools  bool     // the database there is brought back with its own tools
	Traces []string // what lies there of the earlier one, with full paths
}

func (e *LostError) Error() string {
	var b strings.Builder
	fmt.Fprintf(&b, "there is no ledger at %s, and there was one: a new one would begin without all that it knew. Nothing was written. Found:", e.Ledger)
	for i, t := range e.Traces {
		if i == 5 {
			fmt.Fprintf(&b, "\n  and %d more", len(e.Traces)-i)
			break
		}
		b.WriteString("\n  " + t)
	}
	if e.Tools {
		b.WriteString(`
If the address is mistyped in the configuration, put that right. If the database is lost, bring it back with its own tools (pg_restore, or its write-ahead log). Else:
`)
	} else {
		b.WriteString(`
If the state folder is mistyped in the configuration, or its drive is not mounted, put that right. Else:
  firmus ledger restore            brings the ledger back from the newest backup
`)
	}
	b.WriteString(`  firmus intake --from-manifests   if there is no backup: makes it anew from what lies beside the files
  firmus store adopt NAME          if those are other holdings, and the folders are this archive's from now on`)
	return b.String()
}

// Unwrap gives fixity.ErrRefused.
func (e *LostError) Unwrap() error { return fixity.ErrRefused }

// MayBegin refuses to begin a ledger where something lies of an earlier one, with a
// *LostError. It writes nothing. Stores that are away, and those that a service keeps, are
// not looked at.
func (p Place) MayBegin(ctx context.Context) error {
	traces := stateTraces(p.State, !p.Tools)
	for _, s := range p.disks() {
		for _, set := range s.Sets {
			if root, err := p.Stores.Root(s.Name, set, fixity.Bypassed); err == nil {
				traces = append(traces, rootTraces(ctx, root, s.Name, p.Stores.Where(s.Name, set))...)
			}
		}
	}
	if len(traces) == 0 {
		return nil
	}
	return &LostError{Ledger: p.Ledger, Tools: p.Tools, Traces: traces}
}

// stateTraces are what an earlier ledger left in the state folder.
func stateTraces(state string, embedded bool) (out []string) {
	if !embedded {
		return nil // the state folder of a host that shares a database begins empty
	}
	for _, pattern := range []string{"events/*.jsonl", "record.key", "ledger.db-wal", archive.RestoreFolder + "/ledger.db"} {
		found, _ := filepath.Glob(filepath.Join(state, filepath.FromSlash(pattern))) // the pattern is a good one
		for _, f := range found[:min(1, len(found))] {
			if st, err := os.Stat(f); err == nil && st.Size() > 0 {
				out = append(out, f)
			}
		}
	}
	return out
}

// rootTraces are markers and backups in a store's folder.
func rootTraces(ctx context.Context, root stores.Root, store, where string) (out []string) {
	names, err := root.Names(ctx, "")
	if err != nil {
		return nil // away
	}
	for _, n := range names {
		switch {
		case strings.HasPrefix(n, fixity.MarkerPrefix):
			out = append(out, fmt.Sprintf("%s, the marker of a store (%s)", filepath.Join(where, n), store))
		case n == archive.BackupFolder:
			for _, b := range lyingIn(ctx, root, store, where) {
				out = append(out, fmt.Sprintf("%s, a backup of the ledger (%s)", b.dir, store))
			}
		}
	}
	return out
}

// IsLost says that an error is a *LostError.
func IsLost(err error) bool {
	var lost *LostError
	return errors.As(err, &lost)
}
