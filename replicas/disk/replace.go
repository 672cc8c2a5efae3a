package disk

import (
	"context"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"runtime"
	"strings"
	"time"

	"firmus/fixity"
)

// Replace puts a new file in the place of what is at path, or where nothing is,
// making folders that lack. write gives the bytes. The old file stays as it is
// until all of the new one is on the medium: after an error, or a crash at any
// moment, path holds either the old bytes or the new ones, whole.
//
// The new file gets the old one's permissions and, where that is allowed, its
// owner; not its other attributes. Its temporary file's name begins with
// ".firmus"; what a crash left of one is removed by the next Replace of that path.
//
// Errors wrap fixity.ErrAway, ErrDenied, ErrInUse or the system's own (a full
// medium: syscall.ENOSPC), or that of write unchanged; a link, folder or special
// file at path is fixity.ErrRefused. An error of the last step alone, making the
// new name last, leaves the new bytes at path.
//
// write and verify run in the caller's goroutine. When ctx ends while the system
// hangs, the last step begun may still be done later.
func (d *Dir) Replace(ctx context.Context, path string, write func(io.Writer) error) error {
	return d.ReplaceVerified(ctx, path, write, nil)
}

// ReplaceVerified is Replace, and before the old file goes verify is given the
// new one to read, past the page cache as far as the system allows. Its error
// ends the replacement and is returned wrapped.
func (d *Dir) ReplaceVerified(ctx context.Context, path string, write func(io.Writer) error, verify func(fixity.Reader) error) error {
	dir, name, err := split(path)
	if err != nil {
		return fmt.Errorf("replace: %w", err)
	}
	parent, err := call(ctx, &d.stuck, func() (*os.Root, error) { return d.enterOrMake(dir) })
	if err == nil {
		defer parent.Close()
		x := &replacement{d: d, ctx: ctx, parent: parent, name: name, path: path}
		err = x.run(write, verify)
	}
	if err != nil {
		return fmt.Errorf("replace %q in %s: %w", path, d.root, err)
	}
	return nil
}

// do runs one step of a replacement, by way of the tests if they want it so.
func (d *Dir) do(op string, f func() error) error {
	if d.step != nil {
		return d.step(op, f)
	}
	return f()
}

// enterOrMake is enter, and makes the folders that lack.
func (d *Dir) enterOrMake(dir string) (*os.Root, error) {
	r, err := d.openRoot()
	if err != nil || dir == "" {
		return r, err
	}
	for name := range strings.SplitSeq(dir, "/") {
		_, err := r.Lstat(name)
		if errors.Is(err, fs.ErrNotExist) {
			err = d.do("mkdir", func() error { return mkdir(r, name, strings.HasPrefix(dir, ownPrefix)) })
			if err == nil {
				err = d.do("sync-folder", func() error { return syncFolder(r) })
			}
			if err != nil && !errors.Is(err, fs.ErrExist) {
				r.Close()
				return nil, mapErr(err)
			}
		}
		next, err := enterOne(r, name)
		r.Close()
		if err != nil {
			return nil, err
		}
		r = next
	}
	return r, nil
}

type replacement struct {
	d          *Dir
	ctx        context.Context // of the Replace that this is
	parent     *os.Root
	name, path string
	temp       string
	f          *os.File // temp, open for writing
	renamed    bool
	modTime    time.Time           // of the new file; zero: when it was written
	back       *fixity.PuttingBack // nil: whatever lies there is replaced, and goes
	kept       string              // where what lay there is now
}

// do runs a step that may hang.
func (x *replacement) do(op string, f func() error) error {
	_, err := call(x.ctx, &x.d.stuck, func() (struct{}, error) { return struct{}{}, x.d.do(op, f) })
	if err != nil {
		return mapErr(err)
	}
	return nil
}

func (x *replacement) run(write func(io.Writer) error, verify func(fixity.Reader) error) error {
	old, err := call(x.ctx, &x.d.stuck, x.prepare)
	if err == nil && x.back != nil {
		x.modTime = x.back.ModTime
		err = x.asShown(old)
	}
	if err != nil {
		return err
	}
	defer x.clean()
	f, err := call(x.ctx, &x.d.stuck, x.create)
	if err != nil {
		return mapErr(err)
	}
	x.f = f
	if err := write(stepWriter{x}); err != nil {
		return err
	}
	if old != nil {
		if err := x.do("attributes", func() error { return copyAttributes(f, old) }); err != nil {
			return err
		}
	}
	if !x.modTime.IsZero() {
		if err := x.do("times", func() error { return x.parent.Chtimes(x.temp, x.modTime, x.modTime) }); err != nil {
			return err
		}
	}
	if err := x.do("sync", f.Sync); err != nil {
		return err
	}
	if err := x.do("close", f.Close); err != nil {
		return err
	}
	if verify != nil {
		if err := x.d.do("verify", func() error { return x.verify(verify) }); err != nil {
			return err
		}
	}
	if x.back != nil {
		err = x.keep()
	} else {
		err = x.do("rename", func() error { return x.parent.Rename(x.temp, x.name) })
	}
	if err != nil {
		return err
	}
	x.renamed = true
	return x.do("sync-folder", func() error { return syncNames(x.parent, x.name) })
}

// syncNames makes a name that something was just given last, and with it the other names in
// the folder. On FAT a file's length and where it begins stand beside its name, and the kernel
// writes them behind a rename only when the file itself is flushed.
func syncNames(r *os.Root, name string) error {
	if runtime.GOOS != "windows" {
		if f, err := r.Open(name); err == nil { // what may not be read is left to its folder
			_ = f.Sync() // a folder on some shares has no such thing
			f.Close()
		}
	}
	return syncFolder(r)
}

// prepare looks at the old file, nil if there is none, and finds a name for the
// new one.
func (x *replacement) prepare() (old fs.FileInfo, err error) {
	old, err = x.parent.Lstat(x.name)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		old = nil
	case err != nil:
		return nil, mapErr(err)
	case !old.Mode().IsRegular():
		return nil, fmt.Errorf("%w: what lies there is no regular file", fixity.ErrRefused)
	}
	sum := sha256.Sum256([]byte(x.name))
	stem := fmt.Sprintf("%s-new-%x-", ownPrefix, sum[:8])
	x.sweep(stem)
	x.temp = stem + rand.Text()[:10]
	return old, nil
}

func (x *replacement) create() (f *os.File, err error) {
	err = x.d.do("create", func() (err error) {
		mode, fixed := modeIn(x.parent, 0o666)
		if inOwn(x.path) && mode&0o007 != 0 { // a backup of the ledger is nobody else's to read
			mode, fixed = 0o600, true
		}
		if f, err = x.parent.OpenFile(x.temp, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode); err == nil && fixed {
			_ = f.Chmod(mode) // whatever the umask is
		}
		return err
	})
	return f, err
}

// clean removes the new file unless it took its place. While a step hangs in
// the system this would hang too: then the next replacement's sweep does it.
func (x *replacement) clean() {
	if x.d.stuck.any() {
		return
	}
	if x.f != nil {
		x.f.Close() // the second time does nothing
	}
	if !x.renamed {
		x.parent.Remove(x.temp)
	}
}

// sweep removes what a crash left of an earlier replacement of the same name.
// Should another process be at one just now, its rename fails and harms nothing.
func (x *replacement) sweep(stem string) {
	f, err := x.parent.Open(".")
	if err != nil {
		return
	}
	defer f.Close()
	names, _ := f.Readdirnames(-1) // what isn't seen is left for the next time
	for _, n := range names {
		if strings.HasPrefix(n, stem) {
			x.parent.Remove(n)
		}
	}
}

func (x *replacement) verify(verify func(fixity.Reader) error) error {
	r, err := call(x.ctx, &x.d.stuck, func() (*reader, error) {
		return x.d.openIn(x.parent, x.temp, fixity.Entry{Path: x.path}, fixity.Bypassed)
	})
	if err != nil {
		return err
	}
	defer r.Close()
	r.watch(x.ctx)
	if err := verify(r); err != nil {
		return fmt.Errorf("new file: %w", err)
	}
	return nil
}

// stepWriter makes a step of each write.
type stepWriter struct{ x *replacement }

func (w stepWriter) Write(p []byte) (int, error) {
	n := 0
	err := w.x.do("write", func() error {
		m, err := w.x.f.Write(p)
		n = m
		return err
	})
	if err != nil {
		return 0, err // how much of p is in a file that will be removed is nobody's matter
	}
	return n, nil
}

var errTooLong = errors.New("longer than expected")

// ReadFile gives all bytes of the file at path, if there are at most limit. It is
// pinned as Open is. Errors are those of Open.
func (d *Dir) ReadFile(ctx context.Context, path string, limit int64) ([]byte, error) {
	dir, name, err := split(path)
	if err != nil {
		return nil, fmt.Errorf("read: %w", err)
	}
	b, err := call(ctx, &d.stuck, func() ([]byte, error) {
		parent, err := d.enter(dir)
		if err != nil {
			return nil, err
		}
		defer parent.Close()
		return d.readIn(parent, name, limit)
	})
	if err != nil {
		return nil, fmt.Errorf("read %q in %s: %w", path, d.root, err)
	}
	return b, nil
}

func (d *Dir) readIn(parent *os.Root, name string, limit int64) ([]byte, error) {
	r, err := d.openIn(parent, name, fixity.Entry{Path: name}, d.o.Cache)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	if n := r.found.Size(); n > limit {
		return nil, fmt.Errorf("%w: %d bytes, not %d", errTooLong, n, limit)
	}
	return io.ReadAll(io.LimitReader(r, limit+1))
}
