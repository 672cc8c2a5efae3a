package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity"
	"firmus/fixity/ledger"
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

// mayBegin refuses to begin a ledger where something lies of an earlier one. It writes
// nothing. Stores that are away, and those that a service keeps, are not looked at.
func mayBegin(ctx context.Context, c *config.Config, lo ledger.Options) error {
	begun, err := ledger.Begun(ctx, lo)
	if err != nil || begun {
		return err
	}
	traces := stateTraces(c.State, lo.URL == "")
	for _, s := range c.Stores {
		if s.Kind != config.Disk {
			continue
		}
		for _, r := range s.Sets {
			traces = append(traces, rootTraces(s.Name, r.Path)...)
		}
	}
	if len(traces) == 0 {
		return nil
	}
	where := lo.Path
	if lo.URL != "" {
		where = "the database of [ledger] url"
	}
	return &LostError{Ledger: where, Tools: lo.URL != "", Traces: traces}
}

// stateTraces are what an earlier ledger left in the state folder.
func stateTraces(state string, embedded bool) (out []string) {
	if !embedded {
		return nil // the state folder of a host that shares a database begins empty
	}
	for _, pattern := range []string{"events/*.jsonl", "record.key", "ledger.db-wal", restoreFolder + "/ledger.db"} {
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
func rootTraces(store, root string) (out []string) {
	entries, err := os.ReadDir(root)
	if err != nil {
		return nil // away
	}
	for _, e := range entries {
		switch {
		case strings.HasPrefix(e.Name(), ".firmus-store."):
			out = append(out, fmt.Sprintf("%s, the marker of a store (%s)", filepath.Join(root, e.Name()), store))
		case e.Name() == backupFolder && e.IsDir():
			for _, b := range backupsIn(filepath.Join(root, e.Name())) {
				out = append(out, fmt.Sprintf("%s, a backup of the ledger (%s)", b.dir, store))
			}
		}
	}
	return out
}

// isLost says that an error is a *LostError.
func isLost(err error) bool {
	var lost *LostError
	return errors.As(err, &lost)
}

// tellLost sends a letter that the ledger is gone, if any are sent.
func (d *Daemon) tellLost(ctx context.Context, cfg *config.Config, err error) {
	if !isLost(err) {
		return
	}
	l, err2 := TestLetters(cfg, time.Now)
	if errors.Is(err2, fixity.ErrNotFound) {
		return
	}
	if err2 == nil {
		var tried []letters.Tried
		if tried, err2 = l.Alarm(ctx, "URGENT: Firmus finds no ledger", append([]string{"Firmus watches over nothing. The recordings are as they were."},
			strings.Split(err.Error(), "\n")...)...); err2 == nil {
			for _, t := range tried {
				d.o.Log.Info("a letter says that the ledger is gone", "to", t.Address, "trouble", t.Trouble)
			}
			return
		}
	}
	d.o.Log.Error("no letter could say that the ledger is gone", "error", err2)
}
