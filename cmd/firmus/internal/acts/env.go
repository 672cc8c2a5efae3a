// Package acts holds what a person or the clock can order, one function each: who,
// why, and what about. Each act is one transaction that changes state, writes the
// event and makes the touched files due; then the touched copies are read. What
// offers acts (commands, pages, watch, schedule) calls this package and nothing
// below it.
package acts

import (
	"context"
	"fmt"
	"io"
	"os"
	"path"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Root is one set's root in a store.
type Root interface {
	audit.Store
	Marked
	Texts
	// Shards are the first-level folders, "" (the root's own files) first.
	Shards(ctx context.Context) ([]string, error)
}

// Folder is one that needn't belong to any store.
type Folder interface {
	audit.Store
	Shards(ctx context.Context) ([]string, error)
}

// Marked is a root that says which store it belongs to.
type Marked interface {
	Identify(ctx context.Context) (fixity.Identity, error)
	Adopt(ctx context.Context, id fixity.Identity) error
	TakeOver(ctx context.Context, id fixity.Identity) error
}

// Texts are what Firmus itself writes into a root.
type Texts interface {
	ReadFile(ctx context.Context, path string, limit int64) ([]byte, error)
	Replace(ctx context.Context, path string, write func(io.Writer) error) error
	// ReplaceVerified reads the new file back, past the cache, before it gets its name.
	ReplaceVerified(ctx context.Context, path string, write func(io.Writer) error, verify func(fixity.Reader) error) error
	// Names, RenameOwn and RemoveOwn see nothing but folders of Firmus itself.
	Names(ctx context.Context, folder string) ([]string, error)
	RenameOwn(ctx context.Context, from, to string) error
	RemoveOwn(ctx context.Context, path string) error
}

// Env is what acts work with. Several acts may use one at the same time.
type Env struct {
	Ledger *ledger.Ledger
	Rules  policy.Rules
	// Root gives a set's root in a store, read with the page cache so treated.
	Root func(store, set string, cache fixity.Cache) (Root, error)
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
	Folder func(dir string) (Folder, error)
	// LeftOut says that what lies at a path of a set is never taken under care.
	LeftOut func(set, path string, isDir bool) bool
	// Device tells stores on one drive, which are never read at once; "" is unknown.
	Device func(ctx context.Context, store string) string
	// Provided gives the checksums that lie beside the files of a first-level folder.
	Provided func(ctx context.Context, r Root, top string) (Provided, error)
	// OpenDisc opens the disc in a drive, or an image of one. Its errors say in words what
	// is wrong: no disc, a tray that is open, no permission.
	OpenDisc func(ctx context.Context, at DiscAt) (OpenedDisc, error)
	// FitEvents brings the event files into line with all of the record; may be nil.
	FitEvents func()
	Now       func() time.Time
	By        string
	Watch     audit.Watch
	// Say is told what a person should know while an act goes on; may be nil.
	Say func(format string, args ...any)

	// lost is set while a lost ledger is made anew without its record: the holdings whose
	// markers are taken over then, "" until the first is met.
	lost *string
}

// Provided are checksums that came with files.
type Provided struct {
	Digests  map[string][]ProvidedDigest // by path relative to the set's root
	Warnings []string
}

// ProvidedDigest is one line of a list beside the files.
type ProvidedDigest struct {
	Digest fixity.Digest
	Source string // the list and line, for messages
}

func (e *Env) say(format string, args ...any) {
	if e.Say != nil {
		e.Say(format, args...)
	}
}

func (e *Env) auditor() *audit.Auditor {
	return &audit.Auditor{
		Record: e.Ledger.Record(e.Now, e.By),
		Open: func(store, set string, cache fixity.Cache) (audit.Store, error) {
			return e.Root(store, set, cache)
		},
		Now:    e.Now,
		Watch:  e.Watch,
		Listen: e.listen,
	}
}

// lock takes a store for this process.
func (e *Env) lock(ctx context.Context, store string, wait time.Duration) (func(), error) {
	who := e.By
	if host, err := os.Hostname(); err == nil {
		who += " on " + host
	}
	return e.Ledger.LockStore(ctx, store, who, wait, e.Now)
}

// noteStores writes the configured stores into the ledger, and where they lie now.
func (e *Env) noteStores(ctx context.Context) error {
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		for _, s := range e.Rules.Stores {
			st := ledger.Store{Name: s.Name, Kind: s.Kind, Place: s.Place}
			for _, set := range s.Sets {
				st.Roots = append(st.Roots, ledger.Root{Set: set, Root: e.Where(s.Name, set)})
			}
			if err := t.PutStore(st); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		return err
	}
	return e.noteVolumes(ctx)
}

// CheckClock compares the clock with the newest entry of the record; the text is
// empty if nothing is odd.
func (e *Env) CheckClock(ctx context.Context) (string, error) {
	var last time.Time
	err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		last, err = t.LastEventAt()
		return err
	})
	if err != nil || last.IsZero() {
		return "", err
	}
	if d := last.Sub(e.Now()); d > time.Hour {
		return fmt.Sprintf("the clock says %s, but the newest entry of the record is of %s: one of the two was wrong. Nothing is lost; set the clock right",
			e.Now().UTC().Format("2006-01-02 15:04 UTC"), last.Format("2006-01-02 15:04 UTC")), nil
	}
	return "", nil
}

// splitSetPath cuts SET/PATH. A path that leaves its set is refused.
func (e *Env) splitSetPath(p string) (set, at string, err error) {
	set, at, _ = strings.Cut(p, "/")
	if _, ok := e.Rules.Set(set); !ok {
		return "", "", fmt.Errorf("%q names no set: write SET/PATH: %w", p, fixity.ErrRefused)
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
