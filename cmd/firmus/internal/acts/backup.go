package acts

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
)

// backupFolder lies in the first root of each store that backups go to.
const backupFolder = ".firmus-ledger"

// BackupEvery is how old the newest backup may be before the next audit or intake
// makes another.
const BackupEvery = 20 * time.Hour

// Backup writes the ledger, its event files, the list of discs and a checkpoint to every store that may
// be written to (manifests = true), and reads them back. A store that is away or
// full is noted and does not stop the others; the error is of the ledger itself.
func (e *Env) Backup(ctx context.Context) ([]ledger.Backup, error) {
	tmp, done, err := e.stateScratch(ctx, ofState[0])
	if err != nil {
		return nil, fmt.Errorf("backup: %w", err)
	}
	defer done()
	files, events, err := e.backupFiles(ctx, tmp)
	if err != nil {
		return nil, err
	}
	for _, s := range e.Rules.Stores {
		if !s.Manifests || s.Kind == cloudKind || !e.listable(s.Kind) || len(s.Sets) == 0 {
			continue
		}
		b := ledger.Backup{Store: s.Name, Events: events}
		if b.Bytes, err = e.backupTo(ctx, s.Name, files); err != nil {
			if context.Cause(ctx) != nil {
				return nil, context.Cause(ctx)
			}
			b.Trouble = err.Error()
			e.say("the ledger could not be backed up to %s: %v", s.Name, err)
		}
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.PutBackup(b) }); err != nil {
			return nil, err
		}
	}
	var out []ledger.Backup
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { out, err = t.Backups(); return err })
	return out, err
}

// backupIfDue makes a backup if the newest on any store is old or failed. Its own
// failure is said and isn't that of what was just done.
func (e *Env) backupIfDue(ctx context.Context) {
	var have []ledger.Backup
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { have, err = t.Backups(); return err }); err != nil {
		e.say("backups: %v", err)
		return
	}
	for _, s := range e.Rules.Stores {
		if !s.Manifests || s.Kind == cloudKind || !e.listable(s.Kind) || len(s.Sets) == 0 {
			continue
		}
		i := slices.IndexFunc(have, func(b ledger.Backup) bool { return b.Store == s.Name })
		if i < 0 || e.Now().Sub(have[i].At).Abs() >= BackupEvery {
			if _, err := e.Backup(ctx); err != nil {
				e.say("the ledger was not backed up: %v", err)
			}
			return
		}
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
	path := filepath.Join(tmp, "checkpoint.txt")
	if err := os.WriteFile(path, cp, 0o600); err != nil {
		return nil, 0, err
	}
	files["checkpoint.txt"] = path
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
	names, err := filepath.Glob(filepath.Join(e.Ledger.State(), "events", "*.jsonl"))
	if err != nil {
		return nil, 0, err
	}
	for _, n := range names {
		files["events/"+filepath.Base(n)] = n
	}
	v := int64(0)
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { v, err = t.EventCount(); return err })
	return files, v, err
}

func (e *Env) backupTo(ctx context.Context, store string, files map[string]string) (total int64, err error) {
	p, err := e.reach(ctx, store, false)
	if err != nil {
		return 0, err
	}
	if len(p.Here) == 0 {
		return 0, fmt.Errorf("store %s: %w", store, fixity.ErrAway)
	}
	rule, _ := e.Rules.Store(store)
	root, err := e.Root(store, rule.Sets[0], fixity.Bypassed)
	if err != nil {
		return 0, err
	}
	if w, ok := root.(Swept); ok { // whoever writes there holds the lock of stateScratch
		if _, err := w.SweepOwn(ctx, backupFolder); err != nil {
			return 0, err
		}
	}
	for _, name := range sortedNames(files) {
		n, err := writeThrough(ctx, root, backupFolder+"/"+name, files[name])
		if err != nil {
			return total, fmt.Errorf("%s/%s: %w", backupFolder, name, err)
		}
		total += n
	}
	return total, nil
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

// RebuildResult is what was rebuilt of a lost ledger.
type RebuildResult struct {
	Events int64 // of the lost record; 0: a new record begins
	From   string
	Intake IntakeResult
}

// Rebuild makes a lost ledger anew: its record from the event files, if there are
// any, in the state folder or in a store; its files from the stores, held against
// the manifests beside them. Each file that a manifest contradicts is disputed.
// What neither has (discs, decisions, earlier versions, when copies were last read)
// is not known any more: the record still tells of it. It is refused if the ledger
// knows any file.
func (e *Env) Rebuild(ctx context.Context, o IntakeOrder) (RebuildResult, error) {
	var res RebuildResult
	empty := false
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { empty, err = t.Empty(); return err }); err != nil {
		return res, err
	}
	if !empty {
		return res, fmt.Errorf("the ledger is there and knows files: nothing is to be rebuilt: %w", fixity.ErrRefused)
	}
	lines, from, err := e.eventFiles(ctx)
	if err != nil {
		return res, err
	}
	if lines != "" {
		// What is there are the few events of this ledger, which is about to become
		// the lost one. They are written again from the ledger, whatever happens.
		if err := os.RemoveAll(filepath.Join(e.Ledger.State(), "events")); err != nil {
			return res, err
		}
		if res.Events, err = e.Ledger.ImportEvents(ctx, e.Now(), strings.NewReader(lines), e.By); err != nil {
			return res, fmt.Errorf("event files from %s: %w", from, err)
		}
		res.From = from
		e.say("the record goes on: %d events from %s", res.Events, from)
	} else {
		if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
			t.Event(ledger.Event{Verb: fixity.LedgerRebuilt, By: e.By, Reason: "no event files were found: a new record begins, from manifests alone", Data: map[string]any{"events": 0}})
			return nil
		}); err != nil {
			return res, err
		}
		e.say("no event files were found: a new record begins, and says so")
	}
	res.Intake, err = e.Intake(ctx, o)
	return res, err
}

// eventFiles finds the event files with the most events: those of a lost ledger in
// the state folder, or in a store's backup folder.
func (e *Env) eventFiles(ctx context.Context) (text, from string, err error) {
	best := 0
	take := func(t, where string) {
		if n := strings.Count(t, "\n"); n > best {
			text, from, best = t, where, n
		}
	}
	dirs, err := filepath.Glob(filepath.Join(e.Ledger.State(), "events-lost*"))
	if err != nil {
		return "", "", err
	}
	for _, dir := range dirs {
		names, err := filepath.Glob(filepath.Join(dir, "*.jsonl"))
		if err != nil {
			return "", "", err
		}
		var b strings.Builder
		slices.Sort(names)
		for _, n := range names {
			t, err := os.ReadFile(n)
			if err != nil {
				return "", "", err
			}
			b.Write(t)
		}
		take(b.String(), dir)
	}
	for _, s := range e.Rules.Stores {
		if !e.listable(s.Kind) || s.Kind == cloudKind || len(s.Sets) == 0 {
			continue
		}
		t, err := e.storedEvents(ctx, s.Name, s.Sets[0])
		if err != nil {
			e.say("store %s: its event files can't be read: %v", s.Name, err)
			continue
		}
		take(t, "store "+s.Name)
	}
	return text, from, nil
}

// storedEvents reads the event files of a store's backup, month by month.
func (e *Env) storedEvents(ctx context.Context, store, set string) (string, error) {
	dir := filepath.Join(e.Where(store, set), backupFolder, "events")
	names, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	root, err := e.Root(store, set, fixity.Bypassed)
	if err != nil {
		return "", err
	}
	var b strings.Builder
	for _, n := range names { // ReadDir sorts them
		if !strings.HasSuffix(n.Name(), ".jsonl") {
			continue
		}
		t, err := root.ReadFile(ctx, backupFolder+"/events/"+n.Name(), manifestLimit)
		if err != nil {
			return "", err
		}
		b.Write(t)
	}
	return b.String(), nil
}
