package acts

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
)

// BackupEvery is how old the newest backup may be before the next audit or intake
// makes another.
const BackupEvery = 20 * time.Hour

// Backup writes the ledger, its event files, the list of discs and a checkpoint to the
// stores that were named, or to every one that may be written to (manifests = true), and
// reads them back. Backups that lie there stay, by the rules of generations. A store that
// is away or full is noted and does not stop the others; the error is of the ledger itself.
func (e *Env) Backup(ctx context.Context, stores ...string) ([]ledger.Backup, error) {
	if len(stores) == 0 {
		stores = e.backupStores()
	}
	// Another process may be at it: each would take the other's unfinished generation for
	// one that a kill left.
	tmp, done, err := e.stateScratch(ctx, ofState[0])
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	defer done()
	there := map[string]generations{}
	for _, s := range stores {
		g, err := e.generationsIn(ctx, s)
		if err == nil {
			there[s] = g
		} else if err := e.noBackup(ctx, s, err); err != nil {
			return nil, err
		}
	}
	if len(there) > 0 {
		if err := e.backupInto(ctx, there, tmp); err != nil {
			return nil, err
		}
	}
	var out []ledger.Backup
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { out, err = t.Backups(); return err })
	return out, err
}

// noBackup notes why there is none in a store. The error is of the ledger, or the
// context's cause.
func (e *Env) noBackup(ctx context.Context, store string, why error) error {
	if context.Cause(ctx) != nil {
		return context.Cause(ctx)
	}
	e.say("the ledger could not be backed up to %s: %v", store, why)
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.PutBackup(ledger.Backup{Store: store, Trouble: why.Error()}) })
}

// backupInto makes a backup in the folder tmp and writes it to each of the stores.
func (e *Env) backupInto(ctx context.Context, there map[string]generations, tmp string) error {
	files, events, err := e.backupFiles(ctx, tmp)
	if err != nil {
		return err
	}
	for _, s := range e.backupStores() {
		g, ok := there[s]
		if !ok {
			continue
		}
		n, err := g.add(ctx, files, events)
		if err != nil {
			err = e.noBackup(ctx, s, err)
		} else {
			err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
				return t.PutBackup(ledger.Backup{Store: s, Events: events, Bytes: n})
			})
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// backupIfDue makes a backup on the stores whose newest is old, or failed. Its own
// failure is said and isn't that of what was just done.
func (e *Env) backupIfDue(ctx context.Context) {
	var have []ledger.Backup
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { have, err = t.Backups(); return err }); err != nil {
		e.say("backups: %v", err)
		return
	}
	due := slices.DeleteFunc(e.backupStores(), func(s string) bool {
		i := slices.IndexFunc(have, func(b ledger.Backup) bool { return b.Store == s })
		return i >= 0 && e.Now().Sub(have[i].At).Abs() < BackupEvery
	})
	if len(due) == 0 {
		return
	}
	if _, err := e.Backup(ctx, due...); err != nil {
		e.say("the ledger was not backed up: %v", err)
	}
}

// backupFiles gathers what is to be written: name in the backup folder -> file here.
func (e *Env) backupFiles(ctx context.Context, tmp string) (map[string]string, int64, error) {
	files := map[string]string{}
	k, err := e.Ledger.Key()
	if err != nil {
		return nil, 0, err
	}
	cp, err := e.Ledger.Checkpoint(ctx, k)
	if err != nil {
		return nil, 0, err
	}
	path := filepath.Join(tmp, checkpointTxt)
	if err := os.WriteFile(path, cp, 0o600); err != nil {
		return nil, 0, err
	}
	files[checkpointTxt] = path
	path = filepath.Join(tmp, "ledger.db")
	ok, err := e.Ledger.Snapshot(ctx, path)
	if err != nil {
		return nil, 0, err
	}
	if ok {
		files["ledger.db"] = path
	}
	// The list of discs as a table, too: nothing else that is kept can rebuild it.
	if files[discsName], err = e.discsFile(ctx, tmp); err != nil {
		return nil, 0, err
	}
	if e.FitEvents != nil {
		e.FitEvents()
	}
	names, err := filepath.Glob(filepath.Join(e.Ledger.State(), "events", "*.jsonl"))
	if err != nil {
		return nil, 0, err
	}
	for _, n := range names {
		files["events/"+filepath.Base(n)] = n
	}
	seal, err := ledger.ReadSeal(cp)
	return files, seal.Events, err
}

// backupStores are the stores that backups go to.
func (e *Env) backupStores() (out []string) {
	for _, s := range e.Rules.Stores {
		if s.Manifests && s.Kind != cloudKind && e.listable(s.Kind) && len(s.Sets) > 0 {
			out = append(out, s.Name)
		}
	}
	return out
}

// generationsIn are the backups in a store that is there and is the right one.
func (e *Env) generationsIn(ctx context.Context, store string) (generations, error) {
	p, err := e.reach(ctx, store, false)
	if err != nil {
		return generations{}, err
	}
	if len(p.Foreign) > 0 {
		return generations{}, fmt.Errorf("store %s: %s: %w", store, p.Foreign[0], fixity.ErrAway)
	}
	if len(p.Here) == 0 {
		return generations{}, fmt.Errorf("store %s: %w", store, fixity.ErrAway)
	}
	set := p.Rule.Sets[0]
	root, err := e.Root(store, set, fixity.Bypassed)
	if err != nil {
		return generations{}, err
	}
	if w, ok := root.(Swept); ok { // whoever writes there holds the lock of stateScratch
		if err := e.closeBackup(ctx, w, true); err != nil {
			return generations{}, err
		}
		if _, err := w.SweepOwn(ctx, BackupFolder); err != nil {
			return generations{}, err
		}
	}
	return generations{e: e, root: root, store: store, set: set}, nil
}

func sortedNames(m map[string]string) []string {
	out := make([]string, 0, len(m))
	for k := range m {
		out = append(out, k)
	}
	slices.Sort(out)
	return out
}

// writeThrough copies a file of this machine into a store and reads it back.
func writeThrough(ctx context.Context, root Root, to, from string) (int64, error) {
	var sums digest.Sums
	err := root.ReplaceVerified(ctx, to, func(w io.Writer) error {
		f, err := os.Open(from)
		if err != nil {
			return err
		}
		defer f.Close()
		sums, err = digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Tee: w}.Read(ctx, f)
		return err
	}, func(r fixity.Reader) error {
		back, err := digest.Read(ctx, r, fixity.BLAKE3)
		if err != nil {
			return fmt.Errorf("read back: %w", err)
		}
		want, _ := sums.Get(fixity.BLAKE3)
		if got, _ := back.Get(fixity.BLAKE3); got != want {
			return errors.New("read back: it isn't what was written")
		}
		return nil
	})
	return sums.Size, err
}
