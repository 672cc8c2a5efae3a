package backups

import (
	"bytes"
	"cmp"
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
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
	"firmus/fixity/spelling"
)

// RestoreOrder says from which backup the ledger is brought back.
type RestoreOrder struct {
	Place
	By  string
	Now func() time.Time
	Say func(format string, args ...any)
	// Of is the store whose backup it is; "": the newest that is found in any store.
	Of     string
	Backup string // the name of its folder; "": the newest of the store
	// GoBack takes the backup also where the ledger is whole and knows all that it knows.
	GoBack bool
	// Step is told of each step before it is done; an error ends there, as a kill would;
	// for tests. May be nil.
	Step func(name string) error
}

// Restored is what a restore did.
type Restored struct {
	From   string // the backup's folder
	Store  string
	At     time.Time // when the backup was made
	Events int64     // of the record that it holds
	Lost   ledger.Lost
	// NoEvents: no event files of the lost ledger were left, so nobody knows what it held
	// beyond the backup.
	NoEvents bool
	Aside    string   // where that lies which was there; "" if nothing was
	Passed   []string // newer backups that could not be used, and why
}

// Restore brings a lost or broken ledger back from a backup in a store. Nothing that is
// there is removed: it is set aside in a folder of the state folder. A daemon or command
// that has the ledger open makes it refuse (fixity.ErrBusy). After a kill at any step
// there is the old ledger, or the new one, or none, and then no other command begins one:
// restoring again goes on.
//
// Backups of which none is a beginning of the other are listed, and refused until one is
// named. A ledger that is whole and knows all that the backup knows has nothing to gain:
// it is refused too, but with GoBack. On PostgreSQL it is refused: that database has tools
// of its own.
func Restore(ctx context.Context, o RestoreOrder) (res Restored, err error) {
	if o.Tools {
		return res, fmt.Errorf("the ledger is kept by PostgreSQL, which brings it back with its own tools (pg_restore, or its write-ahead log): %w", fixity.ErrRefused)
	}
	if o.Step == nil {
		o.Step = func(string) error { return nil }
	}
	if _, ok := o.Stores.Rules.Store(o.Of); o.Of != "" && !ok {
		return res, fmt.Errorf("store %q is not in the configuration%s: %w", o.Of, spelling.Ask(o.Of, o.Stores.Rules.StoreNames()), fixity.ErrRefused)
	}
	if err := private.Make(o.State, 0o700); err != nil {
		return res, fmt.Errorf("state folder: %w", err)
	}
	unlock, err := ledger.LockState(o.State, true)
	if err != nil && !errors.Is(err, fixity.ErrBusy) {
		return res, fmt.Errorf("restore the ledger in %s: %w", o.State, err)
	}
	if err != nil {
		return res, fmt.Errorf("the ledger can't be restored while a daemon or another command has it open; stop that first: %w", err)
	}
	defer unlock()
	r := restore{o: o, work: filepath.Join(o.State, archive.RestoreFolder), res: &res}
	if err := r.choose(ctx); err != nil {
		return res, err
	}
	defer r.l.Close()
	if err := r.gains(ctx); err != nil {
		return res, errors.Join(err, r.l.Close(), r.tidy()) // Windows removes nothing that is open
	}
	if err := r.prepare(ctx); err != nil {
		return res, fmt.Errorf("restore the ledger from %s: %w", r.chosen.dir, err)
	}
	if err := r.swap(); err != nil {
		return res, fmt.Errorf("restore the ledger from %s: %w", r.chosen.dir, err)
	}
	return res, nil
}

type restore struct {
	o      RestoreOrder
	work   string // folder in the state folder
	res    *Restored
	chosen found
	l      *ledger.Ledger // the backup's copy, open
}

// choose finds the newest backup that is whole, copies it here and opens the copy.
func (r *restore) choose(ctx context.Context) error {
	var all []found
	var others []string // that were not asked for
	for _, b := range r.o.backups(ctx) {
		switch {
		case r.o.Of != "" && b.Store != r.o.Of, r.o.Backup != "" && b.Name != r.o.Backup:
			others = append(others, b.dir)
		case b.bad != "" || b.bare:
			r.res.Passed = append(r.res.Passed, fmt.Sprintf("%s: %s", b.dir, cmp.Or(b.bad, "it holds no database")))
		default:
			all = append(all, b)
		}
	}
	slices.SortStableFunc(all, func(a, b found) int {
		return cmp.Or(cmp.Compare(b.seal.Events, a.seal.Events), b.made.Compare(a.made))
	})
	for i, b := range all {
		l, err := r.open(ctx, b)
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if errors.Is(err, errHere) || errors.Is(err, ledger.ErrFull) {
			return errors.Join(fmt.Errorf("restore the ledger in %s: the backup %s could not be copied there, which says nothing against it: %w", r.o.State, b.dir, err), r.tidy())
		}
		if err != nil {
			r.res.Passed = append(r.res.Passed, fmt.Sprintf("%s: %v", b.dir, err))
			continue
		}
		r.l, r.chosen = l, b
		r.res.Passed = append(r.res.Passed, r.away(ctx)...)
		r.res.From, r.res.Store, r.res.At, r.res.Events = b.dir, b.Store, b.made, b.seal.Events
		return r.onlyOne(ctx, all[i:])
	}
	why := "none lies in the stores that are there"
	if len(r.res.Passed) > 0 {
		why = "none can be used:\n  " + strings.Join(r.res.Passed, "\n  ")
	}
	if len(others) > 0 {
		if len(r.res.Passed) == 0 {
			why = fmt.Sprintf("store %s has none", r.o.Of)
			if r.o.Backup != "" {
				why += " of the name " + r.o.Backup
			}
		}
		return fmt.Errorf("no backup of the ledger to restore: %s\nThese lie elsewhere:\n  %s\n\"firmus ledger restore\" takes the newest of all: %w", why, strings.Join(others, "\n  "), fixity.ErrNotFound)
	}
	return fmt.Errorf("no backup of the ledger to restore: %s\nStores that are away may hold one. Without any, \"firmus intake --from-manifests\" makes a ledger anew: %w", why, fixity.ErrNotFound)
}

// away are the stores whose backups could not be looked at: they may be newer.
func (r *restore) away(ctx context.Context) (out []string) {
	for _, s := range r.o.disks() {
		if !s.Manifests || len(s.Sets) == 0 || r.o.Of != "" && r.o.Of != s.Name {
			continue
		}
		root, err := r.o.Stores.Root(s.Name, s.Sets[0], fixity.Bypassed) // backups lie in the first
		var id fixity.Identity
		if err == nil {
			id, err = root.Identify(ctx)
		}
		if err == nil && (id.Marked() || !id.Empty) {
			continue
		}
		why := "it is empty"
		if err != nil {
			why = err.Error()
		}
		out = append(out, fmt.Sprintf("store %s, which isn't there and may hold a newer backup (%s: %s)", s.Name, r.o.Stores.Where(s.Name, s.Sets[0]), why))
	}
	return out
}

// open copies a backup's database and looks at all of it: its pages, its record, and
// whether the record is what the checkpoint says.
func (r *restore) open(ctx context.Context, b found) (*ledger.Ledger, error) {
	if err := r.clear(); err != nil {
		return nil, err
	}
	path := filepath.Join(r.work, "ledger.db")
	if err := r.o.Step("copy"); err != nil {
		return nil, err
	}
	if err := fetch(ctx, path, b.root, b.at+"/"+ledgerDB); err != nil {
		return nil, err
	}
	l, err := ledger.Open(ctx, ledger.Options{Path: path, State: r.o.State, Rules: r.o.Stores.Rules, Now: r.o.Now(), By: r.o.By, MustExist: true})
	if err != nil {
		return nil, err
	}
	err = l.CheckPages(ctx)
	if err == nil {
		_, err = l.Verify(ctx)
	}
	if err == nil {
		var yes bool
		if yes, err = l.IsBeginning(ctx, b.seal); err == nil && !yes {
			err = errors.New("its record is not the one that its checkpoint is of")
		}
	}
	if err != nil {
		return nil, errors.Join(err, l.Close())
	}
	return l, nil
}

// clear empties the folder that a restore works in, and keeps what an earlier one noted
// of where it set things aside.
func (r *restore) clear() error {
	if err := private.MkdirAll(r.work); err != nil {
		return fmt.Errorf("%w: %w", errHere, err)
	}
	return r.tidy()
}

// tidy removes the unfinished copy of a backup: the drive has little room.
func (r *restore) tidy() error {
	names, err := filepath.Glob(filepath.Join(r.work, "*.db*"))
	for _, n := range names {
		err = errors.Join(err, os.Remove(n))
	}
	return err
}

// onlyOne refuses if there are backups that are no beginning of the chosen one.
func (r *restore) onlyOne(ctx context.Context, all []found) error {
	if r.o.Backup != "" {
		return nil
	}
	lines := []string{}
	seen := map[ledger.Seal]bool{}
	for _, b := range all {
		yes, err := r.l.IsBeginning(ctx, b.seal)
		if err != nil {
			return errors.Join(err, r.l.Close())
		}
		if b.dir == r.chosen.dir || !yes && !seen[b.seal] {
			seen[b.seal] = true
			lines = append(lines, fmt.Sprintf("firmus ledger restore %s %s   (%s, holdings %.8s…, made %s)", b.Store, b.Name, fixity.Count(b.seal.Events, "event"), b.seal.Holdings, b.made.Format("2 Jan 2006 15:04")))
		}
	}
	if len(lines) == 1 {
		return nil
	}
	return errors.Join(fmt.Errorf("there are backups of which none is a beginning of the other. Say which one is to be brought back:\n  %s\nNothing was changed: %w",
		strings.Join(lines, "\n  "), fixity.ErrRefused), r.l.Close())
}

// gains refuses if the ledger that is there is whole and knows all that the backup knows:
// then a person has to say that it is to go back. What can't be opened, or doesn't fit
// together, is no such ledger; nor is one that an earlier restore was about to replace.
func (r *restore) gains(ctx context.Context) error {
	there := filepath.Join(r.o.State, ledgerDB)
	if _, err := os.Lstat(there); r.o.GoBack || err != nil || r.noted() != "" {
		return nil
	}
	// A copy: to look into a database may change it.
	path := filepath.Join(r.work, "now.db")
	for _, suffix := range []string{"", "-wal"} {
		if err := copyFile(path+suffix, there+suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			if errors.Is(err, errHere) {
				return fmt.Errorf("look at the ledger in %s: %w", r.o.State, err)
			}
			return nil
		}
	}
	var events int64
	l, err := ledger.Open(ctx, ledger.Options{Path: path, State: r.o.State, Rules: r.o.Stores.Rules, Now: r.o.Now(), By: r.o.By, MustExist: true})
	if err == nil {
		if err = l.CheckPages(ctx); err == nil {
			var v ledger.Verified
			v, err = l.Verify(ctx)
			events = v.Events
		}
		if err == nil {
			err = l.GoesOnFrom(ctx, r.chosen.seal)
		}
		err = errors.Join(err, l.Close())
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	if err == nil {
		return fmt.Errorf("the ledger in %s is whole, and knows all that the backup knows: its record has %s, that of %s, made %s, has %s. Nothing was changed. To go back to the backup all the same, and undo what was recorded since: firmus ledger restore --go-back %s %s: %w",
			r.o.State, fixity.Count(events, "event"), r.chosen.dir, r.chosen.made.Local().Format("2 Jan 2006 15:04"), fixity.Number(r.chosen.seal.Events), r.chosen.Store, r.chosen.Name, fixity.ErrRefused)
	}
	for _, suffix := range []string{"", "-wal", "-shm"} {
		if err := os.Remove(path + suffix); err != nil && !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	return nil
}

// prepare makes the copy the ledger to be, all but its place.
func (r *restore) prepare(ctx context.Context) error {
	x := ledger.Restoring{From: r.chosen.Store + "/" + r.chosen.Name, By: r.o.By}
	own, err := gather(r.lost("events"))
	if err != nil {
		return err
	}
	if len(own) > 0 {
		x.Own = &own[0]
	}
	r.res.NoEvents = x.Own == nil
	places, _ := filepath.Glob(filepath.Join(r.o.State, "events-*")) // the patterns are good ones
	old, _ := filepath.Glob(filepath.Join(r.o.State, "ledger-aside-*", "events"))
	places = append(places, old...)
	take := func(g []ledger.Gathered, err error, from string) {
		if err != nil && r.o.Say != nil {
			r.o.Say("event files in %s can't be read: %v", from, err)
		}
		x.Others = append(x.Others, g...)
	}
	for _, p := range places {
		g, err := gather(p)
		take(g, err, p)
	}
	for _, b := range r.o.backups(ctx) {
		text, err := b.events(ctx)
		var g []ledger.Gathered
		if err == nil {
			g, err = gathered(text)
		}
		take(g, err, filepath.Join(b.dir, "events"))
	}
	// A copy: to look into a database may change it.
	for _, suffix := range []string{"", "-wal"} {
		err := copyFile(filepath.Join(r.work, "old.db"+suffix), r.lost("ledger.db"+suffix))
		if suffix == "" && err == nil {
			x.Old = filepath.Join(r.work, "old.db")
		}
	}
	if r.res.Lost, err = r.l.Restored(ctx, r.o.Now(), x); err != nil {
		return err
	}
	if err := r.o.Step("prepared"); err != nil {
		return err
	}
	return r.l.Prune(ctx)
}

// lost is where something of the lost ledger lies: in the state folder, or where an
// earlier restore has set it aside that was killed.
func (r *restore) lost(name string) string {
	there := filepath.Join(r.o.State, name)
	if _, err := os.Lstat(there); err == nil {
		return there
	}
	if dir := r.noted(); dir != "" {
		return filepath.Join(dir, name)
	}
	return there
}

// noted is the folder where an earlier restore set things aside that was killed; "" if
// there is none, or if it put a ledger in its place and only its note was left.
func (r *restore) noted() string {
	b, err := os.ReadFile(filepath.Join(r.work, asideNote))
	if err != nil {
		return ""
	}
	name, rest, _ := strings.Cut(string(b), "\n")
	if _, err := os.Lstat(filepath.Join(r.o.State, ledgerDB)); err == nil && strings.HasPrefix(rest, allAside) {
		return ""
	}
	dir := filepath.Join(r.o.State, filepath.Base(name))
	if st, err := os.Stat(dir); err != nil || !st.IsDir() || !strings.HasPrefix(name, asideFolders) {
		return ""
	}
	return dir
}

// A restore's note: the folder where things are set aside, and a second line once all are.
const (
	asideNote    = "aside.txt"
	asideFolders = "ledger-aside-"
	allAside     = "all"
)

// note writes it, so that it lasts.
func (r *restore) note(dir, more string) error {
	return private.Replace(filepath.Join(r.work, asideNote), []byte(filepath.Base(dir)+"\n"+more+"\n"))
}

// gather reads the event files in a folder, if there are any.
func gather(dir string) ([]ledger.Gathered, error) {
	text, err := ledger.EventText(dir)
	if err != nil {
		return nil, err
	}
	return gathered(text)
}

func gathered(text []byte) ([]ledger.Gathered, error) {
	if len(text) == 0 {
		return nil, nil
	}
	g, err := ledger.GatherEvents(bytes.NewReader(text))
	return []ledger.Gathered{g}, err
}

// swap sets aside what is there and puts the new ledger in its place. The name of the
// folder for that is written down first: a database and its write-ahead log must lie
// together, also when a kill comes between them.
func (r *restore) swap() error {
	state := r.o.State
	var there []string
	for _, n := range []string{"ledger.db", "ledger.db-wal", "ledger.db-shm", "events"} {
		if _, err := os.Lstat(filepath.Join(state, n)); err == nil {
			there = append(there, n)
		} else if !errors.Is(err, os.ErrNotExist) {
			return err
		}
	}
	if len(there) > 0 {
		aside, err := r.asideFolder()
		if err != nil {
			return err
		}
		for _, n := range there {
			if err := r.o.Step("set aside " + n); err != nil {
				return err
			}
			to := filepath.Join(aside, n)
			for i := 2; ; i++ { // of an earlier restore that was killed
				if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
					break
				}
				to = filepath.Join(aside, fmt.Sprintf("%s-%d", n, i))
			}
			if err := os.Rename(filepath.Join(state, n), to); err != nil {
				return err
			}
		}
		if err := errors.Join(private.Flush(aside), private.Flush(state)); err != nil {
			return err
		}
		if err := r.note(aside, allAside); err != nil {
			return err
		}
		r.res.Aside = aside
	}
	if err := r.o.Step("put in place"); err != nil {
		return err
	}
	if err := os.Rename(filepath.Join(r.work, "ledger.db"), filepath.Join(state, "ledger.db")); err != nil {
		return err
	}
	if err := private.Flush(state); err != nil {
		return err
	}
	if err := r.o.Step("clean up"); err != nil {
		return err
	}
	return os.RemoveAll(r.work)
}

// asideFolder is a new folder for what is there, or that of an earlier restore that was
// killed before it put a ledger in its place.
func (r *restore) asideFolder() (string, error) {
	if dir := r.noted(); dir != "" {
		return dir, nil
	}
	name := asideFolders + r.o.Now().UTC().Format("2006-01-02T150405Z")
	dir := filepath.Join(r.o.State, name)
	for i := 2; ; i++ {
		err := os.Mkdir(dir, 0o700)
		if err == nil {
			break
		}
		if !errors.Is(err, os.ErrExist) {
			return "", err
		}
		dir = filepath.Join(r.o.State, fmt.Sprintf("%s-%d", name, i))
	}
	if err := r.note(dir, ""); err != nil {
		return "", err
	}
	return dir, private.Flush(r.o.State)
}

// errHere says that the drive with the state folder failed, and not that of a backup.
var errHere = errors.New("can't be written to")

// hereWriter marks what fails in the state folder.
type hereWriter struct{ w io.Writer }

func (h hereWriter) Write(p []byte) (int, error) {
	n, err := h.w.Write(p)
	if err != nil {
		err = fmt.Errorf("%w: %w", errHere, err)
	}
	return n, err
}

// copyFile copies a file to where none is, and waits until it is on the drive.
func copyFile(to, from string) error {
	src, err := os.Open(from)
	if err != nil {
		return err
	}
	defer src.Close()
	return copyHere(to, src)
}

// fetch is copyFile from a store, which may fall silent.
func fetch(ctx context.Context, to string, root stores.Root, from string) error {
	x, err := root.Stat(ctx, from)
	if err != nil {
		return err
	}
	src, err := root.Open(ctx, x, 0)
	if err != nil {
		return err
	}
	defer src.Close()
	return copyHere(to, src)
}

func copyHere(to string, src io.Reader) error {
	dst, err := private.OpenFile(to, os.O_WRONLY|os.O_CREATE|os.O_EXCL)
	if err != nil {
		return fmt.Errorf("%w: %w", errHere, err)
	}
	_, err = io.Copy(hereWriter{dst}, src)
	return errors.Join(err, dst.Sync(), dst.Close())
}
