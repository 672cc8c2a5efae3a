// Package archive is what every act works with: the ledger, the rules, the stores, the
// clock and who acts, and the guard that each act's transaction begins with.
package archive

import (
	"context"
	"fmt"
	"path"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// Archive is what acts work with. Several acts may use one at the same time.
type Archive struct {
	Ledger *ledger.Ledger
	Rules  care.Rules
	// Root gives a set's root in a store, read with the page cache so treated. Acts come
	// to a store through package stores only.
	Root func(store, set string, cache fixity.Cache) (stores.Root, error)
	// Where is a root as people know it (its folder), for messages.
	Where func(store, set string) string
	// Path is the whole path of a place in a store's set, as the system writes it.
	Path func(store, set, at string) string
	// NoMarker says that nothing can be written to the store: it is told by its files.
	NoMarker func(store string) bool
	// Apart refuses a folder that is, holds or lies in a store's root, the state folder or
	// a backup (fixity.ErrRefused).
	Apart func(ctx context.Context, dir string) error
	// Folder opens a folder that belongs to no store, such as a stick.
	Folder func(dir string) (stores.Folder, error)
	// Free is the room left on the volume of a folder on this computer, -1 if it isn't known;
	// nil: it is known of none.
	Free func(dir string) int64
	// LeftOut says that what lies at a path of a set is never taken under care.
	LeftOut func(set, path string, isDir bool) bool
	// Device, Solid, Traffic, Limits, Order and Turns are those of stores.Stores.
	Device  func(ctx context.Context, store string) string
	Solid   func(ctx context.Context, store string) bool
	Traffic stores.Traffic
	Limits  func(store string) stores.Limits
	Order   stores.Order
	Turns   *stores.Turns
	// Elsewhere and Host are those of stores.Stores.
	Elsewhere func(store string) []string
	Host      string
	// Share has audits read by all hosts that share the ledger; nil: this one is alone.
	Share Share
	// ReadAtOnce says how many hosts read a store at the same time, and where that comes from; "" if
	// one host alone reaches it, nil where this computer has the ledger alone.
	ReadAtOnce func(t *ledger.Tx, store string) (string, error)
	// Carriers are the copies that lie in boxes.
	Carriers Carriers
	// FitEvents brings the event files into line with all of the record; may be nil.
	FitEvents func()
	Now       func() time.Time
	By        string
	// Known is the account of the computer by which who acts is known, where By was only typed;
	// "": they signed in on the pages, or it isn't known.
	Known    string
	Progress audit.Progress
	// Say is told what a person should know while an act goes on; may be nil.
	Say func(format string, args ...any)

	// Words are how who acts orders things, for messages.
	Words Words

	// lost is set while a lost ledger is made anew without its record: the holdings whose
	// markers are taken over then, "" until the first is met.
	Lost *string
}

func (e *Archive) Sayf(format string, args ...any) {
	if e.Say != nil {
		e.Say(format, args...)
	}
}

// Stores are the archive's as an act uses them.
func (e *Archive) Stores() stores.Stores {
	return stores.Stores{Ledger: e.Ledger, Rules: e.Rules, Open: e.Root, Where: e.Where, NoMarker: e.NoMarker, Device: e.Device, Solid: e.Solid, Traffic: e.Traffic, Limits: e.Limits,
		Order: e.Order, Turns: e.Turns, Elsewhere: e.Elsewhere, Host: e.Host, Now: e.Now, By: e.By, Say: e.Say, Lost: e.Lost}
}

// Look gives a set's root in a store to be looked at: nothing is read in full through it.
func (e *Archive) Look(store, set string, cache fixity.Cache) (stores.Root, error) {
	return e.Stores().Root(store, set, cache)
}

// LearnDrive finds out which drive a store lies on.
func (e *Archive) LearnDrive(ctx context.Context, store string) {
	e.Stores().Drives(ctx, []string{store})
}

// Auditor reads the stores that are in use; an audit reads the first.
func (e *Archive) Auditor(in ...*stores.Used) *audit.Auditor {
	return &audit.Auditor{
		Record:  e.Ledger.Record(e.Now, e.By),
		Readers: in[0].Readers,
		Open: func(store, set string, cache fixity.Cache) (audit.Store, error) {
			for _, u := range in {
				if u.Rule.Name == store {
					return u.Root(set, cache)
				}
			}
			return nil, fmt.Errorf("store %s is read, and is not in use", store)
		},
		Now:      e.Now,
		Progress: e.Progress,
		Listen:   hearing.Listen,
	}
}

// lock takes a lock of ours that is no store's.
func (e *Archive) lock(ctx context.Context, name string, wait time.Duration) (func(), error) {
	return e.Ledger.LockOwn(ctx, name, e.Stores().Who(), wait, e.Now)
}

// lockHere is lock for what lies in this computer's state folder, which no other host sees.
func (e *Archive) lockHere(ctx context.Context, name string, wait time.Duration) (func(), error) {
	return e.Ledger.LockHere(ctx, name, e.Stores().Who(), wait, e.Now)
}

// NoteStores writes the configured stores into the ledger, and where they lie now.
func (e *Archive) NoteStores(ctx context.Context) error {
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, s := range e.Rules.Stores {
			st := ledger.Store{Name: s.Name, Kind: s.Kind, Place: s.Place}
			for _, set := range s.Sets {
				st.Roots = append(st.Roots, ledger.Root{Set: set, Root: e.Where(s.Name, set)})
			}
			if err := t.Stores.Put(st); err != nil {
				return err
			}
		}
		return t.Stores.Uncount(e.By)
	}); err != nil {
		return err
	}
	return e.NoteVolumes(ctx)
}

// CheckClock compares the clock with the latest entry of the record; the text is
// empty if nothing is odd.
func (e *Archive) CheckClock(ctx context.Context) (string, error) {
	odd, _, err := e.OddClock(ctx)
	return odd, err
}

// OddClock is CheckClock, and says whether the clock is wrong for certain: it is earlier than
// the first entry. Else it may have been wrong when the latest one was made.
func (e *Archive) OddClock(ctx context.Context) (odd string, wrong bool, err error) {
	var first, last time.Time
	now := e.Now()
	err = e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if last, err = t.Log.LastAt(); err != nil || last.Sub(now) <= time.Hour {
			return err
		}
		return t.Log.Each(0, 1, func(x ledger.Event) error { first = x.At; return nil })
	})
	if err != nil || last.Sub(now) <= time.Hour {
		return "", false, err
	}
	return fmt.Sprintf("the clock says %s, but the record has an entry of %s: one of the two was wrong. Nothing is lost; set the clock right",
		now.UTC().Format("2 Jan 2006 15:04 UTC"), last.Format("2 Jan 2006 15:04 UTC")), first.Sub(now) > time.Hour, nil
}

// SplitSetPath cuts SET/PATH. A path that leaves its set is refused.
func (e *Archive) SplitSetPath(p string) (set, at string, err error) {
	set, at, _ = strings.Cut(p, "/")
	if _, ok := e.Rules.Set(set); !ok {
		return "", "", fmt.Errorf("%q names no set%s: write SET/PATH. The sets are: %s: %w", p, spelling.Ask(set, e.Rules.SetNames()), strings.Join(e.Rules.SetNames(), ", "), fixity.ErrRefused)
	}
	if at = strings.Trim(at, "/"); at == "" {
		return set, "", nil
	}
	if at = path.Clean(at); at == ".." || strings.HasPrefix(at, "../") {
		return "", "", fmt.Errorf("%q leaves the set %s: name a folder or file in it: %w", p, set, fixity.ErrRefused)
	}
	if at == "." {
		at = "" // the set itself
	}
	return set, at, nil
}
