package disk

import (
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path"
	"slices"
	"strings"
	"syscall"
	"unicode/utf8"

	"firmus/fixity"
)

// PutBack puts a new file in its place and keeps what lay there. write gives the bytes,
// verify reads them back past the page cache. In this order, each step on the medium
// before the next: the new file is written beside its place under a name of ours, with
// its time and the old one's permissions, flushed, read back; the old file gets a second
// name in p.Keep; the new one takes the place in one step; the folder is flushed.
//
// After an error, or a crash at any moment, the path names the old file or the new one,
// whole, and what lay there is at the path or kept. Where the file system knows no second
// names, or p.Keep lies on another volume, the old file is copied, and the copy read back.
// If the old one can't be read in full it stays where it is: fixity.ErrUnreadable.
//
// kept is the old file's path now, "" if there was none. If what lies at the path isn't
// p.Was any more the error wraps fixity.ErrChanged, and nothing has changed. Other errors
// are those of Replace.
func (d *Dir) PutBack(ctx context.Context, p fixity.PuttingBack, write func(io.Writer) error, verify func(fixity.Reader) error) (kept string, err error) {
	dir, name, err := split(p.Path)
	if err == nil {
		err = ownOnly(p.Keep + "/x")
	}
	if err == nil && (p.As == "" || !plainName(p.As)) {
		err = fmt.Errorf("a name can't end with %q: %w", p.As, fs.ErrInvalid)
	}
	if err != nil {
		return "", fmt.Errorf("put back: %w", err)
	}
	parent, err := call(ctx, &d.stuck, func() (*os.Root, error) { return d.enterOrMake(dir) })
	if err == nil {
		defer parent.Close()
		x := &replacement{d: d, ctx: ctx, parent: parent, name: name, path: p.Path, back: &p}
		err = x.run(write, verify)
		kept = x.kept
	}
	if err != nil {
		return "", fmt.Errorf("put back %q in %s: %w", p.Path, d.root, err)
	}
	return kept, nil
}

// asShown says whether what lies at the path is still what whoever puts a file back was
// shown; old is nil if nothing does.
func (x *replacement) asShown(old fs.FileInfo) error {
	was := x.back.Was
	switch {
	case was == nil && old != nil:
		return fmt.Errorf("%w: something lies there now", fixity.ErrChanged)
	case was == nil:
		return nil
	case old == nil:
		return fmt.Errorf("%w: nothing lies there any more", fixity.ErrChanged)
	}
	return compare(*was, old)
}

// lookAgain is asShown just before the last steps.
func (x *replacement) lookAgain() (fs.FileInfo, error) {
	old, err := x.parent.Lstat(x.name)
	if errors.Is(err, fs.ErrNotExist) {
		old, err = nil, nil
	}
	if err != nil {
		return nil, mapErr(err)
	}
	return old, x.asShown(old)
}

// keep gives the old file its second name, and takes the new one to its place.
func (x *replacement) keep() error {
	old, err := call(x.ctx, &x.d.stuck, x.lookAgain)
	if err != nil {
		return err
	}
	if old == nil {
		return x.do("rename", func() error { return renameNew(x.parent, x.temp, x.parent, x.name) })
	}
	// EXDEV: that folder lies on another volume.
	keepers := x.keepers()
	for _, folder := range keepers {
		if err = x.keepIn(folder, old, false); !errors.Is(err, syscall.EXDEV) {
			break
		}
	}
	if errors.Is(err, syscall.EXDEV) { // a volume that begins deeper
		err = x.keepIn(keepers[0], old, true)
	}
	if err != nil {
		return err
	}
	return x.do("rename", func() error {
		now, err := x.parent.Lstat(x.name)
		if err != nil {
			return err
		}
		if !os.SameFile(old, now) || old.Size() != now.Size() || !old.ModTime().Equal(now.ModTime()) {
			return fmt.Errorf("%w: written or replaced meanwhile", fixity.ErrChanged)
		}
		return x.parent.Rename(x.temp, x.name)
	})
}

// keepers are the folders in which the old file may be kept, best first.
func (x *replacement) keepers() []string {
	if top, _, below := strings.Cut(x.path, "/"); below {
		return []string{x.back.Keep, top + "/" + x.back.Keep}
	}
	return []string{x.back.Keep}
}

// keepIn keeps the old file in a folder: as a second name, or as a copy if that is told or
// the file system knows none.
func (x *replacement) keepIn(folder string, old fs.FileInfo, copied bool) error {
	in, err := call(x.ctx, &x.d.stuck, func() (*os.Root, error) { return x.d.enterOrMake(folder) })
	if errors.Is(err, fixity.ErrVanished) {
		return fmt.Errorf("what lies there is to be kept in %q, and something that is no folder lies in the way: move it away: %w", folder, fixity.ErrRefused)
	}
	if err != nil {
		return err
	}
	defer in.Close()
	name, there, err := freeName(in, x.name, "."+x.back.As, old)
	if err != nil {
		return err
	}
	if !there { // else it was linked before a crash
		if !copied {
			err = x.do("link", func() error { return x.link(folder+"/"+name, in, name, old) })
		}
		if copied || noLinks(err) {
			err = x.copyOld(in, name, old)
		}
		if err != nil {
			return err
		}
	}
	x.kept = folder + "/" + name
	return x.do("sync-kept", func() error { return syncFolder(in) })
}

// link gives the old file a second name, and looks that it is that file's.
func (x *replacement) link(to string, in *os.Root, name string, old fs.FileInfo) error {
	root, err := x.d.openRoot()
	if err != nil {
		return err
	}
	defer root.Close()
	if err := root.Link(x.path, to); err != nil {
		return plain(err)
	}
	if got, err := in.Lstat(name); err != nil || !os.SameFile(got, old) {
		// A folder on the way was exchanged for another one, or for a link.
		in.Remove(name)
		return fmt.Errorf("%w: exchanged while it was kept", fixity.ErrChanged)
	}
	return nil
}

// copyOld keeps the old file as a copy, which is read back.
func (x *replacement) copyOld(in *os.Root, name string, old fs.FileInfo) error {
	src, err := call(x.ctx, &x.d.stuck, func() (*reader, error) {
		return x.d.openIn(x.parent, x.name, fixity.Entry{Path: x.path, Size: old.Size(), ModTime: old.ModTime()}, fixity.Bypassed)
	})
	if err != nil {
		return err
	}
	defer src.Close()
	src.watch(x.ctx)
	// It is made as any new file is; what lies there under this name is ours, from before
	// a crash, and no second name of the old file.
	c := &replacement{d: x.d, ctx: x.ctx, parent: in, name: name, path: x.back.Keep + "/" + name, modTime: old.ModTime()}
	sum := sha256.New()
	return c.run(func(w io.Writer) error {
		_, err := io.Copy(io.MultiWriter(w, sum), src)
		return err
	}, func(r fixity.Reader) error {
		back := sha256.New()
		if _, err := io.Copy(back, r); err != nil {
			return err
		}
		if !slices.Equal(sum.Sum(nil), back.Sum(nil)) {
			return errors.New("the copy of the old file isn't what was read of it")
		}
		return nil
	})
}

// freeName is a name in the folder for a file that is kept. there: it is that file already.
func freeName(in *os.Root, name, ending string, old fs.FileInfo) (free string, there bool, err error) {
	for len(name) > 255-len(ending)-len("-999") {
		_, n := utf8.DecodeLastRuneInString(name)
		name = name[:len(name)-n]
	}
	for n := 1; n < 1000; n++ {
		free = name + ending
		if n > 1 {
			free = fmt.Sprintf("%s-%d%s", name, n, ending)
		}
		fi, err := in.Lstat(free)
		switch {
		case errors.Is(err, fs.ErrNotExist):
			return free, false, nil
		case err != nil:
			return "", false, mapErr(err)
		case os.SameFile(fi, old):
			return free, true, nil
		}
	}
	return "", false, fmt.Errorf("999 files named %q are kept there already: %w", name, fixity.ErrRefused)
}

// KeptFiles are the files that are kept, by path. mounts are the first-level folders that
// lie on volumes of their own. passed, if set, is told now and then while the drive answers.
func (d *Dir) KeptFiles(ctx context.Context, mounts []string, passed func()) ([]fixity.Kept, error) {
	if passed == nil {
		passed = func() {}
	}
	var out []fixity.Kept
	for _, top := range append([]string{""}, mounts...) {
		folder := path.Join(top, fixity.KeptFolder)
		more, err := call(ctx, &d.stuck, func() ([]fixity.Kept, error) { return d.keptIn(folder, passed) })
		if err != nil {
			return nil, fmt.Errorf("what is kept in %s: %w", d.root, err)
		}
		out = append(out, more...)
	}
	slices.SortFunc(out, func(a, b fixity.Kept) int { return strings.Compare(a.Path, b.Path) })
	return out, nil
}

func (d *Dir) keptIn(folder string, passed func()) (out []fixity.Kept, err error) {
	r, err := d.enter(folder)
	if errors.Is(err, fixity.ErrVanished) {
		return nil, nil
	}
	if err != nil {
		return nil, err
	}
	defer r.Close()
	err = fs.WalkDir(r.FS(), ".", func(p string, e fs.DirEntry, err error) error {
		passed()
		if err != nil || !e.Type().IsRegular() || leftover().MatchString(e.Name()) {
			return err
		}
		fi, err := e.Info()
		if err == nil {
			out = append(out, fixity.Kept{Path: folder + "/" + p, Size: fi.Size(), Time: fi.ModTime()})
		}
		return err
	})
	return out, err
}

// RemoveKept removes one file that is kept, and its folder once that is empty.
func (d *Dir) RemoveKept(ctx context.Context, at string) error {
	_, err := call(ctx, &d.stuck, func() (struct{}, error) { return struct{}{}, d.removeKept(at) })
	if err != nil {
		return fmt.Errorf("remove %q in %s: %w", at, d.root, err)
	}
	return nil
}

func (d *Dir) removeKept(at string) error {
	dir, name, err := split(at)
	if err != nil {
		return err
	}
	if parts := strings.Split(dir, "/"); !slices.Contains(parts[:min(2, len(parts))], fixity.KeptFolder) {
		return fmt.Errorf("it is no file that was kept: %w", fixity.ErrRefused)
	}
	r, err := d.enter(dir)
	if err != nil {
		return err
	}
	defer r.Close()
	if fi, err := r.Lstat(name); err != nil || !fi.Mode().IsRegular() {
		return errors.Join(mapErr(err), fixity.ErrRefused)
	}
	if err := d.do("remove", func() error { return r.Remove(name) }); err != nil {
		return mapErr(err)
	}
	if err := d.do("sync-folder", func() error { return syncFolder(r) }); err != nil {
		return mapErr(err)
	}
	if up, folder, err := split(dir); err == nil && up != "" {
		if in, err := d.enter(up); err == nil {
			in.Remove(folder) // only if it is empty
			in.Close()
		}
	}
	return nil
}
