package burned

import (
	"context"
	"errors"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/iso"
	"firmus/replicas/optical/udf"
)

// view is one directory tree of one session.
type view struct {
	session int64
	name    discfs.View
	image   interface {
		Tree(context.Context, discfs.View) (*discfs.Tree, error)
	}
}

// starts are where the sessions with data begin, the last first. Where sessions
// aren't known each track may be one.
func starts(c optical.Contents) (list []int64) {
	last := -1
	for _, t := range c.Tracks {
		if t.Data && (t.Session == 0 || t.Session != last) {
			list = append(list, t.LBA)
			last = t.Session
		}
	}
	slices.Reverse(list)
	return list
}

// dataEnd is the first sector behind the last one of data.
func dataEnd(c optical.Contents) (end int64) {
	for _, t := range c.Tracks {
		if t.Data {
			end = t.LBA + t.Sectors
		}
	}
	return end
}

var faithful = []discfs.View{discfs.RockRidge, discfs.UDF, discfs.Joliet, discfs.Plain}

// views are the trees of a disc: the last session's first, and of each the most
// faithful first. errs are why there may be more, never that there is none.
func views(r io.ReaderAt, c optical.Contents) (list []view, errs []error) {
	end := dataEnd(c)
	for _, at := range starts(c) {
		var own []view
		im, err := iso.Open(r, end*discfs.SectorSize, at)
		if err == nil {
			for _, v := range im.Views() {
				own = append(own, view{at, v, im})
			}
			if err := im.Lost(); err != nil {
				errs = append(errs, err)
			}
		} else if !errors.Is(err, discfs.ErrNone) {
			errs = append(errs, err)
		}
		u, err := udf.Open(r, end*discfs.SectorSize, at)
		if err == nil {
			own = append(own, view{at, discfs.UDF, u})
		} else if !errors.Is(err, discfs.ErrNone) && !(im != nil && errors.Is(err, fixity.ErrUnreadable)) {
			// Where ISO 9660 is, that no anchor of the other can be read means nothing.
			errs = append(errs, err)
		}
		slices.SortStableFunc(own, func(a, b view) int { return slices.Index(faithful, a.name) - slices.Index(faithful, b.name) })
		list = append(list, own...)
	}
	return list, errs
}

// tree is a view that was read.
type tree struct {
	view
	*discfs.Tree
	files []discfs.File // files alone, by their paths
	err   error         // why they may be not all
}

func (v view) read(ctx context.Context) (*tree, error) {
	t, err := v.image.Tree(ctx, v.name)
	if err != nil {
		return nil, err
	}
	x := &tree{view: v, Tree: t}
	for f, err := range t.Files() {
		if broken(err) {
			return nil, err
		}
		if err != nil {
			x.err = err
			break
		}
		if f.Type == fixity.File {
			x.files = append(x.files, f)
		}
	}
	return x, nil
}

func (x *tree) bytes() (n int64) {
	for _, f := range x.files {
		n += f.Size
	}
	return n
}

// choice is a view, and what of the wanted files it holds by name.
type choice struct {
	tree *tree
	pair pairing
}

// choose reads the views in turn and keeps the one that matches best; without wanted
// files, the one that shows the most. One that can't be read is left out, and told.
func choose(ctx context.Context, list []view, wanted []File) (best *choice, errs []error, err error) {
	for _, v := range list {
		t, terr := v.read(ctx)
		if err := ctx.Err(); err != nil {
			return nil, nil, err
		}
		if terr != nil {
			if broken(terr) {
				return nil, nil, terr
			}
			errs = append(errs, terr)
			continue
		}
		x := &choice{tree: t, pair: pair(wanted, t.files)}
		if best == nil || x.better(*best, len(wanted) == 0) {
			best = x
		}
		if t.err == nil && len(wanted) > 0 && best == x && x.pair.same == len(wanted) {
			break
		}
	}
	return best, errs, nil
}

func (x choice) better(y choice, any bool) bool {
	if any {
		if len(x.tree.files) != len(y.tree.files) {
			return len(x.tree.files) > len(y.tree.files)
		}
		return x.tree.bytes() > y.tree.bytes()
	}
	return x.pair.better(y.pair)
}

// broken says that an error ends the check, and isn't only a sector's.
func broken(err error) bool {
	for _, e := range []error{
		fixity.ErrAway, fixity.ErrDenied, fixity.ErrBusy, optical.ErrSwapped, optical.ErrNotReady, context.Canceled, context.DeadlineExceeded,
	} {
		if errors.Is(err, e) {
			return true
		}
	}
	return false
}
