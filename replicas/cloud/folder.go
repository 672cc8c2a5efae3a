package cloud

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"slices"
	"strings"

	"firmus/fixity"
)

// Folder is the root of one set: the sub-folder with the set's name.
//
// Its paths are names joined by slashes, in the service's own spelling. Names that
// can't be part of a path (".", "..", the empty one, any with a slash or a zero
// byte) have these escaped with "%" and end in " [id:ID]". So do things that have one
// name in one folder, but for one: the one that lay there before (Options.Place), else
// the one with a right digest, else the first that was made. Control characters stay as they are:
// whoever shows a path escapes them. What lies in the bin isn't listed, nor what
// begins with ".firmus"; shortcuts are entries of type Link, documents of the
// service's own of type Special.
type Folder struct {
	s        *Store
	set      string
	leaveOut LeaveOut
}

// Identify says which store this is: Store is the id of the shared drive and that
// of the configured folder, Set the set whose folder was found; Holdings is empty,
// since nothing is ever written there, and Writable false. It asks the service,
// and fails with fixity.ErrAway if the folder isn't there; the error names the folder.
func (f *Folder) Identify(ctx context.Context) (fixity.Identity, error) {
	root, err := f.s.root(ctx)
	if err != nil {
		return fixity.Identity{}, err
	}
	own := &listing{root: root, sets: map[string]*node{}}
	if own.kids, err = f.s.direct(ctx, root, root.ID, nil); err != nil {
		return fixity.Identity{}, err
	}
	top, err := own.tree(ctx, f.set)
	if err != nil {
		return fixity.Identity{}, err
	}
	anything := func(it *Item) bool {
		return !it.InBin && !strings.HasPrefix(it.Name, ownPrefix) && !f.litter(it.Name, it.Kind == Dir)
	}
	kids, err := f.s.direct(ctx, root, top.item.ID, anything)
	if err != nil {
		return fixity.Identity{}, err
	}
	return fixity.Identity{
		Store: identity(root), Set: f.set,
		Empty: !slices.ContainsFunc(kids[top.item.ID], anything),
	}, nil
}

// identity names a configured folder: stored in the ledger, never change it.
func identity(root Item) string {
	if root.Drive == "" {
		return "folder " + root.ID
	}
	return "drive " + root.Drive + " folder " + root.ID
}

// direct is what lies directly in a folder, as far as the first thing that is
// enough.
func (s *Store) direct(ctx context.Context, root Item, folder string, enough func(*Item) bool) (map[string][]*Item, error) {
	kids, err := s.directIn(ctx, root.Drive, folder, enough)
	if classOf(err) == NotVisible && root.Drive != "" { // the account is no member of the drive
		kids, err = s.directIn(ctx, "", folder, enough)
	}
	return kids, err
}

func (s *Store) directIn(ctx context.Context, drive, folder string, enough func(*Item) bool) (map[string][]*Item, error) {
	kids := map[string][]*Item{}
	pages, seen := newPager(holds), map[string]bool{}
	for token := ""; ; {
		var p Page // without its Rest: what lies there is all that is asked
		err := s.try(ctx, func(ctx context.Context) (err error) {
			p, err = s.service.Page(ctx, Query{Drive: drive, Parents: []string{folder}}, token)
			return err
		})
		if err != nil {
			return nil, fmt.Errorf("list folder %q: %w", folder, err)
		}
		for i := range p.Items {
			it := &p.Items[i]
			if it.Parent == folder && !seen[it.ID] {
				seen[it.ID] = true
				kids[folder] = append(kids[folder], it)
				if enough != nil && enough(it) {
					return kids, nil
				}
			}
		}
		if p.Next == "" {
			return kids, nil
		}
		if err := pages.next(p.Next, len(p.Items)); err != nil {
			return nil, err
		}
		token = p.Next
	}
}

func (f *Folder) litter(path string, isDir bool) bool {
	return f.leaveOut != nil && f.leaveOut(path, isDir)
}

// Shards gives the parts that List is called with: "" for what lies directly in
// the root, then the root's folders in byte order, without those left out. It
// lists the whole Store, unless a listing is there that Shards wasn't called for.
// With an error (as List has them) it gives nothing.
func (f *Folder) Shards(ctx context.Context) ([]string, error) {
	top, _, err := f.top(ctx, "shards of "+f.set)
	if err != nil {
		return nil, fmt.Errorf("list set %q: %w", f.set, err)
	}
	shards := []string{""}
	for _, k := range top.kids {
		if k.item.Kind == Dir && !f.litter(k.name, true) {
			shards = append(shards, k.name)
		}
	}
	slices.Sort(shards)
	return shards, nil
}

// top is the set's root in a listing that has not served use yet.
func (f *Folder) top(ctx context.Context, use string) (*node, *listing, error) {
	l, err := f.s.listing(ctx, use)
	if err != nil {
		return nil, nil, err
	}
	if err := f.s.hold(ctx); err != nil {
		return nil, nil, err
	}
	defer f.s.release()
	top, err := l.tree(ctx, f.set)
	return top, l, err
}

// List gives the entries of a shard by the bytes of their paths. Shard "" is what
// lies directly in the root, with folders left out; shard X is all below the
// folder X, which is empty when there is no such folder.
//
// The sequence ends with one error, and an Entry to be ignored, unless everything
// was seen: it wraps fixity.ErrIncomplete always, and fixity.ErrAway, ErrBlind,
// ErrTomorrow, ErrLater or the cause of ctx where one of these is why. What else
// could be seen has been given before it.
//
// Entries come from a listing of the whole Store. If that must be made first, no
// entry comes for as long as it takes; see Store.Refresh.
func (f *Folder) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		err := f.list(ctx, shard, yield)
		if err == nil || errors.Is(err, errStopped) {
			return
		}
		if !errors.Is(err, fixity.ErrIncomplete) {
			err = fmt.Errorf("%w: %w", fixity.ErrIncomplete, err)
		}
		yield(fixity.Entry{}, fmt.Errorf("list %q of set %q: %w", shard, f.set, err))
	}
}

// errStopped ends a walk whose consumer wants no more.
var errStopped = errors.New("stopped")

func (f *Folder) list(ctx context.Context, shard string, yield func(fixity.Entry, error) bool) error {
	if strings.Contains(shard, "/") || shard == "." || shard == ".." {
		return fmt.Errorf("%q is no shard", shard)
	}
	top, _, err := f.top(ctx, "shard "+f.set+"/"+shard)
	if err != nil {
		return err
	}
	w := &walk{f: f, ctx: ctx, yield: func(path string, n *node) bool { return yield(f.entry(path, n), nil) }}
	if shard == "" {
		err = w.in(top, "", false)
	} else if n := top.kid(shard); n != nil && n.item.Kind == Dir && !f.litter(shard, true) {
		err = w.in(n, shard+"/", true)
	}
	if err != nil {
		return err
	}
	return w.complete()
}

// entry is what is shown of n at path.
func (f *Folder) entry(path string, n *node) fixity.Entry {
	if f.litter(path, n.item.Kind == Dir) {
		return fixity.Entry{Path: path, ModTime: n.item.ModTime, Type: fixity.LeftOut}
	}
	return n.item.entry(path)
}

// walk goes through a part of a set's tree in the order of paths.
type walk struct {
	f      *Folder
	ctx    context.Context // the one of the call that this walk is
	yield  func(path string, n *node) bool
	enter  func(path string, n *node) bool // nil, or is told of each folder before what lies in it
	unseen []string                        // the first few things that can't be seen, in words
	missed int                             // all of them
}

// shown is how many unseen paths an error names.
const shown = 5

// in walks what lies in n, the folder at prefix, and if deep below it.
func (w *walk) in(n *node, prefix string, deep bool) error {
	if n.item.Closed {
		w.miss(fmt.Sprintf("what lies in %q is not shown to this account", strings.TrimSuffix(prefix, "/")))
		return nil
	}
	for _, k := range n.kids {
		if w.ctx.Err() != nil {
			return context.Cause(w.ctx)
		}
		path := prefix + k.name
		if k.item.Hazy != "" && !w.f.litter(path, false) {
			w.miss(fmt.Sprintf("%q: %s", path, k.item.Hazy))
			continue
		}
		if k.item.Kind == Dir && !w.f.litter(path, true) {
			if deep && w.enter != nil && !w.enter(path+"/", k) {
				return errStopped
			}
			if deep {
				if err := w.in(k, path+"/", true); err != nil {
					return err
				}
			}
		} else if !w.yield(path, k) {
			return errStopped
		}
	}
	return nil
}

// complete is nil if nothing was unseen.
func (w *walk) complete() error {
	if w.missed == 0 {
		return nil
	}
	more := ""
	if n := w.missed - len(w.unseen); n > 0 {
		more = fmt.Sprintf(", and %d more", n)
	}
	return fmt.Errorf("%w: %s%s", fixity.ErrIncomplete, strings.Join(w.unseen, ", "), more)
}

// miss notes something that can't be seen.
func (w *walk) miss(what string) {
	if w.missed++; w.missed <= shown {
		w.unseen = append(w.unseen, what)
	}
}

// Adopt says that the folder is the store id. Nothing is written: a folder is told
// by its own id, so another id is refused (fixity.ErrRefused).
func (f *Folder) Adopt(ctx context.Context, id fixity.Identity) error {
	is, err := f.Identify(ctx)
	if err != nil {
		return err
	}
	if id.Store != is.Store || id.Set != is.Set {
		return fmt.Errorf("%w: this is %q, set %q, not %q, set %q; the cloud is only read, and told by its own ids", fixity.ErrRefused, is.Store, is.Set, id.Store, id.Set)
	}
	return nil
}

// TakeOver is Adopt.
func (f *Folder) TakeOver(ctx context.Context, id fixity.Identity) error { return f.Adopt(ctx, id) }

// Replace is refused: the cloud is only read.
func (f *Folder) Replace(_ context.Context, path string, _ func(io.Writer) error) error {
	return fmt.Errorf("write %q: %w: the cloud is only read", path, fixity.ErrRefused)
}

// ReadFile gives a small file whole. It fails with fixity.ErrRefused for one of
// more than limit bytes, else like Stat and Open.
func (f *Folder) ReadFile(ctx context.Context, path string, limit int64) ([]byte, error) {
	e, err := f.Stat(ctx, path)
	if err != nil {
		return nil, err
	}
	if e.Size > limit {
		return nil, fmt.Errorf("read %q: %w: %d bytes long, %d at most", path, fixity.ErrRefused, e.Size, limit)
	}
	r, err := f.Open(ctx, e, 0)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return io.ReadAll(r)
}

// checkPath fails for what can't be the path of an entry.
func checkPath(path string) error {
	for name := range strings.SplitSeq(path, "/") {
		if !plain(name) {
			return fmt.Errorf("path %q: %w", path, fs.ErrInvalid)
		}
	}
	return nil
}
