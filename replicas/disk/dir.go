package disk

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"sync/atomic"

	"firmus/fixity"
)

// ownPrefix begins the names of markers, temporary files and backups of ours.
const ownPrefix = ".firmus"

// Options say how a Dir treats its root. The zero value reads past the page
// cache, has no marker and leaves nothing out.
type Options struct {
	// Store is the store's name in the configuration. It is part of the marker's
	// file name, so that a marker mirrored from another store does no harm.
	Store string
	// Marker says that the root carries a marker, or may be given one.
	Marker bool
	// Cache is the treatment of the page cache that is wanted: Bypassed ("" too),
	// Dropped or Allowed. What was had is told by each Reader.
	Cache fixity.Cache
	// LeaveOut says that what lies at a path is litter; nil leaves nothing out.
	LeaveOut func(path string, isDir bool) bool
}

// Dir is one set's root in a store on a file system. It may be used by several
// goroutines at once.
type Dir struct {
	root   string
	o      Options
	stuck  stuck
	stands atomic.Pointer[standing]               // nil: whatever lies at the path is the root
	step   func(op string, do func() error) error // tests stop a replacement here; nil does
}

// Open makes a Dir of the folder root, which needn't be there now: that is found
// by each call, as fixity.ErrAway. It fails only for options that can't work.
func Open(root string, o Options) (*Dir, error) {
	if root == "" {
		return nil, errors.New("a store's root is empty")
	}
	abs, err := filepath.Abs(root)
	if err != nil {
		return nil, fmt.Errorf("root %q: %w", root, err)
	}
	if o.Marker && !plainName(o.Store) {
		return nil, fmt.Errorf("store name %q can't be part of a file name", o.Store)
	}
	switch o.Cache {
	case "":
		o.Cache = fixity.Bypassed
	case fixity.Bypassed, fixity.Dropped, fixity.Allowed:
	default:
		return nil, fmt.Errorf("page cache treatment %q can't be asked for", o.Cache)
	}
	return &Dir{root: abs, o: o}, nil
}

// standing is which folder the root is.
type standing struct {
	id     fixity.Identity // by its marker
	folder fs.FileInfo     // the folder in which that was read last; nil: it wasn't yet
	by     *byte           // who expects it
}

// Expect has each later call hold the root against its marker wherever another folder lies at its
// path than when that was read last. If the marker isn't id's, another drive is there now, and
// the call gives fixity.ErrAway before it reads or writes anything. That holds until forget is
// called, or somebody else expects something.
func (d *Dir) Expect(id fixity.Identity) (forget func()) {
	by := new(byte)
	d.stands.Store(&standing{id: id, by: by})
	return func() {
		for {
			s := d.stands.Load()
			if s == nil || s.by != by || d.stands.CompareAndSwap(s, nil) {
				return
			}
		}
	}
}

// expected says whether r is the root that is expected.
func (d *Dir) expected(r *os.Root) error {
	s := d.stands.Load()
	if s == nil {
		return nil
	}
	fi, err := r.Stat(".")
	if err != nil {
		return awayOrDenied(err)
	}
	if s.folder != nil && os.SameFile(s.folder, fi) {
		return nil
	}
	id, err := d.marker(r)
	if err != nil {
		return err
	}
	if id.Holdings != s.id.Holdings || id.Store != s.id.Store || id.Set != s.id.Set {
		return fmt.Errorf("%w: another drive or folder is there now", fixity.ErrAway)
	}
	d.stands.CompareAndSwap(s, &standing{s.id, fi, s.by})
	return nil
}

// Root is the folder's absolute path on this machine.
func (d *Dir) Root() string { return d.root }

// plainName says that s can be part of a file name on every system.
func plainName(s string) bool {
	return s != "" && len(s) <= 200 && !strings.ContainsAny(s, "/\\:*?\"<>|\x00\r\n\t") &&
		strings.TrimSpace(s) == s
}

// openRoot opens the root for one call; the caller closes it.
func (d *Dir) openRoot() (*os.Root, error) {
	// Stat first: opening a FIFO would wait for a writer.
	fi, err := os.Stat(d.root)
	if err != nil {
		return nil, awayOrDenied(err)
	}
	if !fi.IsDir() {
		return nil, fmt.Errorf("%w: not a folder", fixity.ErrAway)
	}
	r, err := os.OpenRoot(d.root)
	if err != nil {
		return nil, awayOrDenied(err)
	}
	if err := d.expected(r); err != nil {
		r.Close()
		return nil, err
	}
	return r, nil
}

// sameRoot says whether r is still what lies at the root's path: not after the
// file system was unmounted, or another one mounted over it.
func (d *Dir) sameRoot(r *os.Root) error {
	now, err := os.Stat(d.root)
	if err != nil {
		return awayOrDenied(err)
	}
	was, err := r.Stat(".")
	if err != nil {
		return awayOrDenied(err)
	}
	if !os.SameFile(now, was) {
		return fmt.Errorf("%w: another folder lies there now", fixity.ErrAway)
	}
	if deviceGone(was) {
		return fmt.Errorf("%w: its device is gone", fixity.ErrAway)
	}
	return nil
}

// enter opens the folder at dir below the root ("" is the root), through folders
// only; the caller closes it. Below a link nothing is there (fixity.ErrVanished).
func (d *Dir) enter(dir string) (*os.Root, error) {
	r, err := d.openRoot()
	if err != nil || dir == "" {
		return r, err
	}
	for name := range strings.SplitSeq(dir, "/") {
		next, err := enterOne(r, name)
		r.Close()
		if err != nil {
			return nil, err
		}
		r = next
	}
	return r, nil
}

func enterOne(r *os.Root, name string) (*os.Root, error) {
	fi, err := r.Lstat(name)
	if err != nil {
		return nil, mapErr(err)
	}
	if !fi.IsDir() {
		return nil, fmt.Errorf("%w: %q is no folder", fixity.ErrVanished, name)
	}
	next, err := r.OpenRoot(name)
	if err != nil {
		return nil, mapErr(err)
	}
	// os.Root follows links inside the root; one may have been put there just now.
	if got, err := next.Stat("."); err != nil || !os.SameFile(fi, got) {
		next.Close()
		if err != nil {
			return nil, mapErr(err)
		}
		return nil, fmt.Errorf("%w: folder %q was exchanged", fixity.ErrChanged, name)
	}
	return next, nil
}

// split is the folder ("" for the root) and the name of a path; it fails for
// what can't be the path of an entry.
func split(path string) (dir, name string, err error) {
	for c := range strings.SplitSeq(path, "/") {
		if c == "" || c == "." || c == ".." || strings.ContainsRune(c, 0) ||
			filepath.Separator != '/' && strings.ContainsRune(c, filepath.Separator) {
			return "", "", fmt.Errorf("path %q: %w", path, fs.ErrInvalid)
		}
	}
	i := strings.LastIndexByte(path, '/')
	return path[:max(i, 0)], path[i+1:], nil
}
