package archive

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path/filepath"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// UseBeside uses a store to read a file or two that a person waits for, also while somebody
// else reads there: what is refused then is refused for as long as an audit takes.
func (e *Archive) UseBeside(ctx context.Context, store string, do func(context.Context, *stores.Used) error) error {
	return e.Stores().Use(ctx, store, stores.Purpose{Beside: true, Unseen: true}, do)
}

// PlaceOf is where a copy lies, as people find it: the store and the full path.
func (e *Archive) PlaceOf(c ledger.Copy) string {
	if c.Carrier != 0 {
		return "disc " + c.Disc
	}
	return fmt.Sprintf("%s (%s)", c.Store, ledger.DisplayPath(e.FullPath(c.Store, c.Set, c.At)))
}

// FullPath is where something lies in a store, with the folder of the set's root: on a disk as
// this system writes it.
func (e *Archive) FullPath(store, set, at string) string {
	if s, _ := e.Rules.Store(store); s.Kind == DiskKind {
		return filepath.Join(e.Where(store, set), filepath.FromSlash(at))
	}
	return strings.TrimRight(e.Where(store, set), "/") + "/" + at
}

func (e *Archive) ListableStore(name string) bool {
	s, ok := e.Rules.Store(name)
	return ok && e.Listable(s.Kind)
}

// First compares for sorting: what is so comes before what isn't.
func First(a, b bool) int {
	switch {
	case a == b:
		return 0
	case a:
		return -1
	}
	return 1
}

// Listable says that stores of a kind are listed and audited as a whole.
func (e *Archive) Listable(kind string) bool { return kind == DiskKind || kind == CloudKind }

// cloudKind is the kind of store that a service keeps: it reports digests of its
// own, and is only read.
const CloudKind = "cloud"

// DiskKind is the kind of store that lies on a mounted file system.
const DiskKind = "disk"

// Tops are the first-level folders of a store's sets.
func (e *Archive) Tops(ctx context.Context, u *stores.Used, sets []string) (map[string][]string, error) {
	out := map[string][]string{}
	for _, set := range sets {
		root, err := u.Root(set, fixity.Bypassed)
		if err != nil {
			return nil, err
		}
		if out[set], err = root.Shards(ctx); err != nil {
			return nil, fmt.Errorf("list %s: %w", e.Where(u.Rule.Name, set), err)
		}
	}
	return out, nil
}

// after is how other stores are used once an act is done: what can't be done there soon
// is done by whoever uses them next.
var Soon = stores.Purpose{Turn: time.Minute}

// StoreOnly says that an error is only of the store that was to be used: it is away, held,
// closed, or given to something more urgent.
func StoreOnly(err error) bool {
	return errors.Is(err, fixity.ErrBusy) || errors.Is(err, fixity.ErrAway) || errors.Is(err, stores.ErrWindow) || errors.Is(err, stores.ErrGivesWay)
}

// Carriers are copies on carriers that lie in a box until somebody puts them in: discs.
// The rest of the acts knows no more of them.
type Carriers interface {
	// WriteList writes which carriers there are and what was put on each, so that it can
	// be read back: nothing else that is kept can rebuild it.
	WriteList(ctx context.Context, w io.Writer) error
	// Named is the one carrier that a person means, and which versions of which files it
	// should hold, by file. Errors wrap fixity.ErrNotFound, or fixity.ErrRefused if it may be
	// one of several.
	Named(ctx context.Context, typed string) (name string, holds map[int64]int64, err error)
	// Gather reads what a carrier holds of the versions of some files and writes it, each
	// byte at its place in the file, to what into gives; that is asked for what was found
	// there only. Nothing of it is proved. The result is in the order of files.
	Gather(ctx context.Context, c Carrier, files []int64, into func(file int64) (io.WriterAt, error)) ([]Gathered, error)
}

// Carrier is a carrier that a person has at hand.
type Carrier struct {
	Name         string
	Drive, Image string // where it is
	// Progress is told how many of its sectors were dealt with; may be nil.
	Progress func(done, of int64)
}

// Gathered is what a carrier gave of a file.
type Gathered struct {
	Found  bool
	Lacks  []fixity.Range // of its bytes, in order
	Unread int64          // how many of those the carrier should hold; it is due for a check then
	Why    string         // in a sentence, if it was not looked for, or not found
}

// OpticalKind is the kind of store that discs belong to, all of them.
const OpticalKind = "optical"

// Lock takes something that is no store for this process. Who has it stands in the
// error if another does (*ledger.LockedError).
func (e *Archive) Lock(ctx context.Context, what string) (free func(), err error) {
	return e.lock(ctx, what, 0)
}

// WritesInto says that Firmus keeps manifests in a store.
func (e *Archive) WritesInto(store string) bool {
	s, ok := e.Rules.Store(store)
	return ok && s.Manifests && e.Listable(s.Kind) && s.Kind != CloudKind
}

// backupFolder lies in the first root of each store that backups of the ledger go to.
const BackupFolder = ".firmus-ledger"

// NoStore says why no store in use has a name: it was retired, or no store is called that.
func (e *Archive) NoStore(ctx context.Context, name string) error {
	if s, err := e.Stores().Known(ctx, name); err == nil && !s.Retired.IsZero() {
		return stores.Retired(s)
	}
	return fmt.Errorf("store %q is not in the configuration%s: %w", name, spelling.Ask(name, e.Rules.StoreNames()), fixity.ErrRefused)
}
