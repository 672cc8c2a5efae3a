package backups

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/care"
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
func (e Acts) Backup(ctx context.Context, names ...string) ([]ledger.Backup, error) {
	if len(names) == 0 {
		names = e.Kept()
	}
	return e.backup(ctx, names, func(string) (bool, error) { return true, nil })
}

// backup is Backup for those stores of which wanted says so, once nobody else writes there.
func (e Acts) backup(ctx context.Context, names []string, wanted func(store string) (bool, error)) ([]ledger.Backup, error) {
	// Another process may be at it: each would take the other's unfinished generation for
	// one that a kill left.
	tmp, done, err := e.StateScratch(ctx, archive.BackupScratch)
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	defer done()
	var there []string
	for _, s := range names {
		err := e.inGenerations(ctx, s, func(context.Context, generations) error { return nil })
		if err == nil {
			there = append(there, s)
		} else if err := e.noBackup(ctx, s, err); err != nil {
			return nil, err
		}
	}
	if len(there) > 0 {
		if err := e.backupInto(ctx, there, tmp, wanted); err != nil {
			return nil, err
		}
	}
	var out []ledger.Backup
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { out, err = t.Log.Backups(); return err })
	return out, err
}

// noBackup notes why there is none in a store. The error is of the ledger, or the
// context's cause.
func (e Acts) noBackup(ctx context.Context, store string, why error) error {
	if context.Cause(ctx) != nil {
		return context.Cause(ctx)
	}
	e.Sayf("the ledger could not be backed up to %s: %v", store, why)
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Log.PutBackup(ledger.Backup{Store: store, Trouble: why.Error()}) })
}

// backupInto makes a backup in the folder tmp and writes it to each of the stores that are
// wanted.
func (e Acts) backupInto(ctx context.Context, there []string, tmp string, wanted func(store string) (bool, error)) error {
	files, events, err := e.backupFiles(ctx, tmp)
	if err != nil {
		return err
	}
	for _, s := range there {
		n, made := int64(0), false
		err := e.inGenerations(ctx, s, func(ctx context.Context, g generations) (err error) {
			if made, err = wanted(s); err == nil && made {
				n, err = g.add(ctx, files, events)
			}
			return err
		})
		if err != nil {
			err = e.noBackup(ctx, s, err)
		} else if made {
			err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
				return t.Log.PutBackup(ledger.Backup{Store: s, Events: events, Bytes: n})
			})
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// IfDue makes a backup on the stores whose newest is old, or failed. Its own
// failure is said and isn't that of what was just done.
func (e Acts) IfDue(ctx context.Context) {
	if _, err := e.KeepUp(ctx, e.Kept()...); err != nil {
		e.Sayf("the ledger was not backed up: %v", err)
	}
}

// KeepUp makes a backup on those of the stores whose newest is old, or failed, and says
// whether any failed.
func (e Acts) KeepUp(ctx context.Context, names ...string) (failed bool, err error) {
	due := names[:0:0]
	for _, s := range names {
		is, err := e.due(ctx, s)
		if err != nil {
			return false, err
		}
		if is {
			due = append(due, s)
		}
	}
	if len(due) == 0 {
		return false, nil
	}
	// Another host may have made one since.
	all, err := e.backup(ctx, due, func(s string) (bool, error) { return e.due(ctx, s) })
	return err != nil || slices.ContainsFunc(all, func(b ledger.Backup) bool { return b.Trouble != "" && slices.Contains(due, b.Store) }), err
}

// due says that the newest backup on a store is old, or that there is none.
func (e Acts) due(ctx context.Context, store string) (due bool, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		have, err := t.Log.Backups()
		i := slices.IndexFunc(have, func(b ledger.Backup) bool { return b.Store == store })
		due = i < 0 || e.Now().Sub(have[i].At).Abs() >= BackupEvery
		return err
	})
	return due && err == nil, err
}

// backupFiles gathers what is to be written: name in the backup folder -> file here.
func (e Acts) backupFiles(ctx context.Context, tmp string) (map[string]string, int64, error) {
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
	if files[carriersList], err = e.listFile(ctx, tmp); err != nil {
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

// Kept are the stores that backups go to from this computer.
func (e Acts) Kept() (out []string) {
	for _, s := range e.Rules.Stores {
		if s.Manifests && s.Kind != archive.CloudKind && e.Listable(s.Kind) && len(s.Sets) > 0 && e.Reaches(s.Name) {
			out = append(out, s.Name)
		}
	}
	return out
}

// OneDrive says that all backups lie on one drive, or that no store is asked to hold any;
// "" where they lie on several. writes says that Firmus may write into a store.
func OneDrive(rules care.Rules, writes func(store string) bool) string {
	var in, others []string
	for _, s := range rules.Stores {
		switch {
		case s.Kind == archive.DiskKind && s.Manifests:
			in = append(in, s.Name)
		case s.Kind == archive.DiskKind && writes(s.Name):
			others = append(others, s.Name)
		}
	}
	if len(in) == 0 {
		return `no store is asked to hold backups of the ledger: write manifests = true for one`
	}
	if rules.Drives(in) > 1 {
		return ""
	}
	text := fmt.Sprintf("all backups of the ledger lie on one drive, that of %s", strings.Join(in, " and "))
	for _, s := range others {
		if rules.Drives(append(slices.Clip(in), s)) > 1 {
			return text + fmt.Sprintf(`. Write manifests = true for %s: then a backup outlives that drive`, s)
		}
	}
	return text + ". A store on another drive with manifests = true would hold one, too"
}

// inGenerations does something with the backups in a store that is there and is the
// right one. Of several hosts that reach it one at a time does: another one would take an
// unfinished generation for one that a kill left.
func (e Acts) inGenerations(ctx context.Context, store string, do func(context.Context, generations) error) error {
	unlock, still, err := e.Ledger.HoldOwn(ctx, "backup-"+store, e.Stores().Who(), time.Minute, e.Now)
	if held := (*ledger.LockedError)(nil); errors.As(err, &held) {
		return fmt.Errorf("store %s: %s is writing a backup there: %w", store, held.Holder, fixity.ErrBusy)
	}
	if err != nil {
		return err
	}
	ctx, unlock = e.Ledger.While(ctx, unlock, still)
	defer unlock()
	return e.Stores().Use(ctx, store, stores.Purpose{Beside: true}, func(ctx context.Context, u *stores.Used) error {
		if len(u.Foreign) > 0 {
			return fmt.Errorf("store %s: %s: %w", store, report.Fact(u.Foreign[0]), fixity.ErrAway)
		}
		if len(u.Here) == 0 && len(u.Away) > 0 {
			return fmt.Errorf("store %s: %s: %w", store, report.Fact(u.Away[0]), fixity.ErrAway)
		}
		if len(u.Here) == 0 {
			return fmt.Errorf("store %s: %w", store, fixity.ErrAway)
		}
		set := u.Rule.Sets[0]
		root, err := u.Root(set, fixity.Bypassed)
		if err != nil {
			return err
		}
		if w, ok := root.(stores.Swept); ok {
			if err := e.CloseBackup(ctx, w, true); err != nil {
				return err
			}
			if _, err := w.SweepOwn(ctx, archive.BackupFolder, nil); err != nil {
				return err
			}
		}
		return do(ctx, generations{e: e, root: root, store: store, set: set})
	})
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
func writeThrough(ctx context.Context, root stores.Root, to, from string) (int64, error) {
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
