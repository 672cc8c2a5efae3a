package disk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"slices"
	"strings"

	"firmus/fixity"
)

// Shards gives the parts that List is called with: "" for what lies directly in
// the root, then the root's folders in byte order, without those left out. With
// an error (fixity.ErrAway, fixity.ErrDenied, or fixity.ErrIncomplete if some
// names couldn't be seen) it gives nothing.
func (d *Dir) Shards(ctx context.Context) ([]string, error) {
	shards, err := call(ctx, &d.stuck, func() ([]string, error) {
		r, err := d.openRoot()
		if err != nil {
			return nil, err
		}
		defer r.Close()
		items, unseen := d.folder(r, "")
		if err := d.complete(r, unseen, len(unseen)); err != nil {
			return nil, err
		}
		shards := []string{""}
		for _, it := range items {
			if it.folder {
				shards = append(shards, it.entry.Path)
			}
		}
		slices.Sort(shards)
		return shards, nil
	})
	if err != nil {
		return nil, fmt.Errorf("list %s: %w", d.root, err)
	}
	return shards, nil
}

// List gives the entries of a shard by the bytes of their paths. Shard "" is what
// lies directly in the root, with links, special files and folders left out;
// shard X is all below the folder X, which is empty when there is no such folder.
//
// The sequence ends with one error, and an Entry to be ignored, unless everything
// was seen: it wraps fixity.ErrIncomplete always, and fixity.ErrAway,
// fixity.ErrDenied or the cause of ctx where one of these is why. What else could
// be seen has been given before it. Memory is bounded by the largest folders on
// one path.
func (d *Dir) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		w := &walk{d: d, ctx: ctx, yield: yield}
		err := w.shard(shard)
		if err == nil || errors.Is(err, errStopped) {
			return
		}
		if !errors.Is(err, fixity.ErrIncomplete) {
			err = fmt.Errorf("%w: %w", fixity.ErrIncomplete, err)
		}
		yield(fixity.Entry{}, fmt.Errorf("list %q in %s: %w", shard, d.root, err))
	}
}

// errStopped ends a walk whose consumer wants no more.
var errStopped = errors.New("stopped")

type walk struct {
	d      *Dir
	ctx    context.Context // the one of the List call that this walk is
	yield  func(fixity.Entry, error) bool
	unseen []unseenPath // the first few
	missed int          // all of them
}

// shown is how many unseen paths an error names.
const shown = 5

func (w *walk) shard(shard string) error {
	root, err := call(w.ctx, &w.d.stuck, w.d.openRoot)
	if err != nil {
		return err
	}
	defer root.Close()
	if shard == "" {
		err = w.folder(root, "", false)
	} else if dir, _, bad := split(shard); bad != nil || dir != "" {
		return fmt.Errorf("%q is no shard", shard)
	} else if !strings.HasPrefix(shard, ownPrefix) && !w.d.leftOut(shard, true) {
		err = w.below(root, shard)
	}
	if err != nil {
		return err
	}
	_, err = call(w.ctx, &w.d.stuck, func() (struct{}, error) {
		return struct{}{}, w.d.complete(root, w.unseen, w.missed)
	})
	return err
}

// below walks the folder at path, which is the name of a folder in r.
func (w *walk) below(r *os.Root, path string) error {
	name := path[strings.LastIndexByte(path, '/')+1:]
	sub, err := call(w.ctx, &w.d.stuck, func() (*os.Root, error) { return enterOne(r, name) })
	switch {
	case w.ctx.Err() != nil:
		if err == nil {
			sub.Close()
		}
		return context.Cause(w.ctx)
	case errors.Is(err, fixity.ErrVanished):
		return nil // gone since its name was read, or no longer a folder
	case err != nil:
		w.miss(unseenPath{path, err})
		return nil
	}
	defer sub.Close()
	return w.folder(sub, path+"/", true)
}

// folder yields what lies in r, the folder at prefix, and if deep below it.
func (w *walk) folder(r *os.Root, prefix string, deep bool) error {
	type seen struct {
		items  []item
		unseen []unseenPath
	}
	s, err := call(w.ctx, &w.d.stuck, func() (s seen, err error) {
		s.items, s.unseen = w.d.folder(r, prefix)
		return s, nil
	})
	if err != nil {
		return err
	}
	w.miss(s.unseen...)
	for _, it := range s.items {
		if w.ctx.Err() != nil {
			return context.Cause(w.ctx)
		}
		if it.folder {
			if deep {
				if err := w.below(r, it.entry.Path); err != nil {
					return err
				}
			}
		} else if !w.yield(it.entry, nil) {
			return errStopped
		}
	}
	return nil
}

func (w *walk) miss(u ...unseenPath) {
	w.missed += len(u)
	w.unseen = append(w.unseen, u[:min(len(u), shown-len(w.unseen))]...)
}

// complete is nil if nothing was unseen and root is still the store's root.
func (d *Dir) complete(root *os.Root, unseen []unseenPath, missed int) error {
	if err := d.sameRoot(root); err != nil {
		return fmt.Errorf("%w: %w", fixity.ErrIncomplete, err)
	}
	if missed == 0 {
		return nil
	}
	var why error
	var text []string
	for _, u := range unseen {
		if u.path == "" {
			u.path = "."
		}
		text = append(text, fmt.Sprintf("%q (%v)", u.path, u.err))
		if errors.Is(u.err, fixity.ErrDenied) {
			why = fixity.ErrDenied
		}
	}
	if n := missed - len(text); n > 0 {
		text = append(text, fmt.Sprintf("and %d more", n))
	}
	err := fmt.Errorf("%w: not seen: %s", fixity.ErrIncomplete, strings.Join(text, ", "))
	if why != nil {
		err = joined{err, why}
	}
	return err
}

// joined is an error whose text says already what why adds to its chain.
type joined struct {
	error
	why error
}

func (j joined) Unwrap() []error { return []error{j.error, j.why} }

// gone says that what a name stood for is no longer there.
func gone(err error) bool {
	return errors.Is(mapErr(err), fixity.ErrVanished) || errors.Is(err, io.EOF)
}

// Stat is what List shows of path. It fails with fixity.ErrVanished if nothing
// is there, or only through a link; with fixity.ErrAway without the root.
func (d *Dir) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	dir, name, err := split(path)
	if err != nil {
		return fixity.Entry{}, fmt.Errorf("stat: %w", err)
	}
	e, err := call(ctx, &d.stuck, func() (fixity.Entry, error) {
		r, err := d.enter(dir)
		if err != nil {
			return fixity.Entry{}, err
		}
		defer r.Close()
		e, _, err := d.statIn(r, name, path)
		return e, err
	})
	if err != nil {
		return fixity.Entry{}, fmt.Errorf("stat %q in %s: %w", path, d.root, err)
	}
	return e, nil
}

// statIn is Stat of path, which is name in the folder r, and what the system said of it.
func (d *Dir) statIn(r *os.Root, name, path string) (fixity.Entry, fs.FileInfo, error) {
	fi, err := r.Lstat(name)
	if err != nil {
		return fixity.Entry{}, nil, mapErr(err)
	}
	f, err := r.Open(".")
	if err != nil {
		return fixity.Entry{}, nil, mapErr(err)
	}
	defer f.Close()
	it := d.look(path, fi, f, steadyInodes(f))
	if it.folder {
		return fixity.Entry{}, nil, fmt.Errorf("%w: a folder lies there: %w", fixity.ErrVanished, fixity.ErrNoFile)
	}
	return it.entry, fi, nil
}
