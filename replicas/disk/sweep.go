package disk

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"firmus/fixity"
	"firmus/fixity/expr"
)

// leftover is the name of a new file that had not yet taken its place when the program
// that wrote it ended: see replacement.prepare.
var leftover = expr.Once(`^\.firmus-new-[0-9a-f]{16}-[A-Z2-7]{10}$`)

// Sweep removes what replacements that were cut off left below the root, and says how
// many files. Only regular files of just the names that Replace gives are removed. The
// caller must have seen to it that nobody is at a replacement there just now: its new
// file would go, and it would fail and leave the old one.
//
// Of our own folders (".firmus…") only those of kept files are entered; SweepOwn does the
// others. What can't be seen or
// removed is left for the next time, and is no error; the error is fixity.ErrAway, or the
// cause of ctx. passed, if set, is told now and then while the drive answers.
func (d *Dir) Sweep(ctx context.Context, passed func()) (removed int, err error) {
	return d.sweepFrom(ctx, "", false, passed)
}

// SweepOwn is Sweep in one of our own folders and all below it. It does nothing if the
// folder isn't there.
func (d *Dir) SweepOwn(ctx context.Context, folder string, passed func()) (removed int, err error) {
	return d.sweepFrom(ctx, folder, true, passed)
}

func (d *Dir) sweepFrom(ctx context.Context, folder string, own bool, passed func()) (removed int, err error) {
	r, err := call(ctx, &d.stuck, func() (*os.Root, error) { return d.enter(folder) })
	if errors.Is(err, fixity.ErrVanished) && folder != "" {
		return 0, nil
	}
	if err != nil {
		return 0, fmt.Errorf("clear away in %s: %w", d.root, err)
	}
	defer r.Close()
	if passed == nil {
		passed = func() {}
	}
	s := &sweeping{d: d, ctx: ctx, own: own, passed: passed}
	if err := s.folder(r, folder); err != nil {
		return s.removed, fmt.Errorf("clear away in %s: %w", d.root, err)
	}
	return s.removed, nil
}

type sweeping struct {
	d       *Dir
	ctx     context.Context // of the Sweep that this is
	own     bool
	passed  func()
	removed int
}

// folder sweeps r, which lies at path, and what is below it.
func (s *sweeping) folder(r *os.Root, path string) error {
	below, err := call(s.ctx, &s.d.stuck, func() (below []string, err error) {
		f, err := r.Open(".")
		if err != nil {
			return nil, nil
		}
		defer f.Close()
		var names []fs.DirEntry
		for err == nil {
			var some []fs.DirEntry
			some, err = f.ReadDir(1000)
			names = append(names, some...)
			s.passed()
		}
		for _, n := range names {
			switch {
			case n.IsDir():
				if s.own || n.Name() == fixity.KeptFolder || !strings.HasPrefix(n.Name(), ownPrefix) && !s.d.leftOut(join(path, n.Name()), true) {
					below = append(below, n.Name())
				}
			case n.Type().IsRegular() && leftover().MatchString(n.Name()):
				if r.Remove(n.Name()) == nil {
					s.removed++
				}
				s.passed()
			}
		}
		return below, nil
	})
	if err != nil {
		return err
	}
	for _, name := range below {
		if s.ctx.Err() != nil {
			return context.Cause(s.ctx)
		}
		sub, err := call(s.ctx, &s.d.stuck, func() (*os.Root, error) { return enterOne(r, name) })
		if err != nil {
			if s.ctx.Err() != nil {
				return context.Cause(s.ctx)
			}
			continue
		}
		err = s.folder(sub, join(path, name))
		sub.Close()
		if err != nil {
			return err
		}
	}
	return nil
}

func join(folder, name string) string {
	if folder == "" {
		return name
	}
	return folder + "/" + name
}
