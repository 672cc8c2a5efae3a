package recovering

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// DrillFiles is how many files of each store a drill brings back if nobody says another
// number.
const DrillFiles = 10

// Drilled is what a drill of one store came to.
type Drilled struct {
	ledger.Drill
	Failed []string `json:"failed"` // what could not be brought back, and why
	Away   string   `json:"away,omitempty"`
}

// Drill brings back up to n intact files of each store, spread over sets and ages, into a
// scratch folder, and holds them against their versions there. The scratch folder is
// removed. The result is recorded. A copy that isn't its version is read anew: that makes
// its finding.
func (a Acts) Drill(ctx context.Context, n int) ([]Drilled, error) {
	var names []string
	for _, s := range a.Rules.Stores {
		if a.Listable(s.Kind) { // discs are put in by hand
			names = append(names, s.Name)
		}
	}
	return a.drill(ctx, n, donorPurpose, names...)
}

// DrillIfDue is Drill of one store, if its promise asks for one by now: before it is broken,
// so that a night on which the computer is off doesn't break it. false: it isn't due.
func (a Acts) DrillIfDue(ctx context.Context, store string) (d Drilled, done bool, err error) {
	rule, _ := a.Rules.Store(store)
	if rule.DrillWithin <= 0 {
		return d, false, nil
	}
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		last, err := t.Copies.LastDrill(store)
		if errors.Is(err, fixity.ErrNotFound) {
			err, done = nil, true
		} else if err == nil {
			done = a.Now().Sub(last.At) >= rule.DrillWithin*9/10
		}
		return err
	})
	if err != nil || !done {
		return d, false, err
	}
	ds, err := a.drill(ctx, DrillFiles, stores.Purpose{Turn: time.Minute}, store)
	if len(ds) > 0 {
		d = ds[0]
	}
	return d, len(ds) > 0, err
}

func (a Acts) drill(ctx context.Context, n int, p stores.Purpose, names ...string) ([]Drilled, error) {
	dir, done, err := a.StateScratch(ctx, archive.DrillScratch)
	if err != nil {
		return nil, err
	}
	defer done()
	var out []Drilled
	for _, name := range names {
		d := Drilled{Drill: ledger.Drill{Store: name, By: a.By}, Failed: []string{}}
		err := a.Stores().Use(ctx, name, p, func(ctx context.Context, u *stores.Used) error { return a.drillIn(ctx, u, dir, n, &d) })
		switch {
		case context.Cause(ctx) != nil:
			return out, context.Cause(ctx)
		case err != nil && archive.StoreOnly(err):
			d.Away = err.Error()
		case err != nil:
			return out, err
		}
		out = append(out, d)
	}
	return out, a.audits().FollowUp(ctx, fixity.Bypassed)
}

func (a Acts) drillIn(ctx context.Context, u *stores.Used, dir string, n int, d *Drilled) error {
	if len(u.Here) == 0 {
		d.Away = "it is away"
		return nil
	}
	var sample []ledger.Copy
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		// Another day, other files.
		sample, err = t.Copies.Spread(d.Store, n, a.Now().Unix()/86_400)
		return err
	}); err != nil {
		return err
	}
	began := time.Now()
	for _, c := range sample {
		if !slices.Contains(u.Here, c.Set) {
			continue
		}
		if err := a.roomInState(c.Size, "a file that is brought back as a proof"); err != nil {
			return err
		}
		size, err := a.bringBack(ctx, u, c, dir)
		var bad *donorError
		switch {
		case err == nil:
			d.Proved++
		case context.Cause(ctx) != nil:
			return context.Cause(ctx)
		case archive.StoreOnly(err) || !errors.As(err, &bad):
			return err // it says nothing of the copy, so there is nothing to record
		default:
			d.Failed = append(d.Failed, fmt.Sprintf("%s: %v", a.PlaceOf(c), err))
			if err := a.donorFailed(ctx, c, bad); err != nil {
				return err
			}
		}
		d.Files++
		d.Bytes += size
	}
	d.Took = time.Since(began)
	if d.Files == 0 {
		return nil
	}
	d.At = a.Now()
	return a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error { t.Copies.Drilled(d.Drill); return nil })
}

// bringBack copies a file into a folder, reads it there and removes it. If the copy isn't its
// version, or can't be read, the error is a *donorError; others are of the folder.
func (a Acts) bringBack(ctx context.Context, u *stores.Used, c ledger.Copy, dir string) (size int64, err error) {
	var want ledger.Version
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { want, err = t.Files.Version(c.File, c.Held); return err }); err != nil {
		return 0, err
	}
	src, err := acts.OpenCopy(ctx, u, c)
	if err != nil {
		return 0, &donorError{err: err, rotten: true}
	}
	defer src.Close()
	f, err := os.OpenFile(filepath.Join(dir, fmt.Sprintf("%d", c.File)), os.O_RDWR|os.O_CREATE|os.O_TRUNC, 0o600)
	if err != nil {
		return 0, err
	}
	defer func() { err = errors.Join(err, f.Close(), os.Remove(f.Name())) }()
	var failed error // of writing
	if size, err = io.Copy(acts.Noting{Writer: f, Err: &failed}, src); failed != nil {
		return size, failed
	} else if err != nil {
		return size, &donorError{err: err, rotten: true}
	}
	if err := f.Sync(); err != nil {
		return size, err
	}
	if _, err := f.Seek(0, io.SeekStart); err != nil {
		return size, err
	}
	same, err := isVersion(ctx, f, want)
	if err == nil && !same {
		err = &donorError{err: errors.New("what was brought back doesn't have the checksum of the version"), rotten: true}
	}
	return size, err
}
