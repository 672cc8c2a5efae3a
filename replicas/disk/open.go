package disk

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"firmus/fixity"
)

// Open opens the file that List or Stat showed as e and gives its bytes from
// offset on. Nothing but a regular file is ever opened.
//
// The Reader is pinned: by e.Pin, size and modification time where e has them,
// and by what Open found. With a zero Pin and a zero ModTime nothing of e but its
// path is compared: the file is pinned as it is found. At the end, and when
// bytes run out early, a Reader gives fixity.ErrChanged instead of io.EOF unless
// inode, size, modification and change time are still the same.
//
// Errors of Open and of the Reader wrap, where it applies, fixity.ErrVanished,
// ErrChanged, ErrDenied, ErrInUse, ErrUnreadable (with the offset in its text)
// or ErrAway. Bytes before an error are as the medium gave them. After an
// ErrUnreadable, Open with a later offset may still give the rest.
//
// A Reader may be closed while a Read is under way, which then ends on its own:
// Close never waits. When ctx ends, the next Read fails with its cause.
func (d *Dir) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	r, err := d.open(ctx, e, offset, d.o.Cache)
	if err != nil {
		return nil, fmt.Errorf("open %q in %s: %w", e.Path, d.root, err)
	}
	return r, nil
}

// Begin is Stat, and Open from the first byte on if an ordinary file lies there, which is
// quicker than one after the other: the way to the file is gone once. The Reader is nil if
// there is none, or with an error; an entry whose Path isn't "" is what Stat gives.
func (d *Dir) Begin(ctx context.Context, path string) (fixity.Entry, fixity.Reader, error) {
	dir, name, err := split(path)
	if err != nil {
		return fixity.Entry{}, nil, fmt.Errorf("stat: %w", err)
	}
	b, err := call(ctx, &d.stuck, func() (b begun, err error) {
		parent, err := d.enter(dir)
		var fi fs.FileInfo
		if err == nil {
			defer parent.Close()
			b.e, fi, err = d.statIn(parent, name, path)
		}
		if err != nil {
			return begun{}, fmt.Errorf("stat %q in %s: %w", path, d.root, err)
		}
		if b.e.Type == fixity.File {
			if b.r, b.err = d.openSeen(parent, name, fi, b.e, d.o.Cache); b.err != nil {
				b.err = fmt.Errorf("open %q in %s: %w", path, d.root, b.err)
			}
		}
		return b, nil
	})
	if err == nil {
		err = b.err
	}
	if b.r == nil {
		return b.e, nil, err
	}
	b.r.watch(ctx)
	return b.e, b.r, nil
}

// begun is what Begin gives, as one value that may be left behind.
type begun struct {
	e   fixity.Entry
	r   *reader
	err error // of the opening
}

// Close closes what nobody waits for any more.
func (b begun) Close() error {
	if b.r == nil {
		return nil
	}
	return b.r.Close()
}

func (d *Dir) open(ctx context.Context, e fixity.Entry, offset int64, want fixity.Cache) (*reader, error) {
	dir, name, err := split(e.Path)
	if err != nil {
		return nil, err
	}
	if e.Type != fixity.File {
		return nil, fmt.Errorf("%w: not a regular file whose bytes are here", fixity.ErrRefused)
	}
	if offset < 0 {
		return nil, fmt.Errorf("offset %d: %w", offset, fs.ErrInvalid)
	}
	r, err := call(ctx, &d.stuck, func() (*reader, error) {
		parent, err := d.enter(dir)
		if err != nil {
			return nil, err
		}
		defer parent.Close()
		return d.openIn(parent, name, e, want)
	})
	if err != nil {
		return nil, err
	}
	r.off = offset
	r.watch(ctx)
	return r, nil
}

// openIn opens the file name of the folder parent.
func (d *Dir) openIn(parent *os.Root, name string, e fixity.Entry, want fixity.Cache) (*reader, error) {
	before, err := parent.Lstat(name)
	if err != nil {
		return nil, mapErr(err)
	}
	return d.openSeen(parent, name, before, e, want)
}

// openSeen is openIn of a file that was just looked at.
func (d *Dir) openSeen(parent *os.Root, name string, before fs.FileInfo, e fixity.Entry, want fixity.Cache) (*reader, error) {
	if before.IsDir() || typeOf(before) != fixity.File {
		return nil, fmt.Errorf("%w: no regular file whose bytes are here lies there now", fixity.ErrChanged)
	}
	src, err := openSource(parent, name, want)
	if err != nil {
		return nil, mapErr(err)
	}
	after, err := src.stat()
	switch {
	case err != nil:
		err = mapErr(err)
	// os.Root follows links inside the root; one may have been put there just now.
	case !os.SameFile(before, after):
		err = fmt.Errorf("%w: exchanged while it was opened", fixity.ErrChanged)
	default:
		err = compare(e, after)
	}
	if err != nil {
		src.close()
		return nil, err
	}
	return &reader{d: d, path: e.Path, src: src, found: after}, nil
}

// compare says whether the opened file is the one that e shows.
func compare(e fixity.Entry, fi fs.FileInfo) error {
	if e.Pin == (fixity.Pin{}) && e.ModTime.IsZero() {
		return nil
	}
	got := pinOf(fi)
	if got == (fixity.Pin{}) { // an open file doesn't tell it here (Windows)
		e.Pin = got
	}
	switch {
	case e.Size != fi.Size():
		return fmt.Errorf("%w: it was %d bytes long and is %d", fixity.ErrChanged, e.Size, fi.Size())
	case !e.ModTime.IsZero() && !e.ModTime.Equal(fi.ModTime()):
		return fmt.Errorf("%w: written at %v", fixity.ErrChanged, fi.ModTime().UTC())
	case e.Pin.Inode != 0 && e.Pin.Inode != got.Inode:
		return fmt.Errorf("%w: another file has its name", fixity.ErrChanged)
	case e.Pin.Change != 0 && e.Pin.Change != got.Change:
		return fmt.Errorf("%w: its change time is another", fixity.ErrChanged)
	}
	return nil
}

// unchanged says whether the open file is still what it was when it was opened.
func unchanged(was, is fs.FileInfo) error {
	if was.Size() != is.Size() {
		return fmt.Errorf("%w: it was %d bytes long and is %d", fixity.ErrChanged, was.Size(), is.Size())
	}
	if !was.ModTime().Equal(is.ModTime()) || pinOf(was) != pinOf(is) {
		return fmt.Errorf("%w: written, renamed or replaced", fixity.ErrChanged)
	}
	return nil
}

// source gives the bytes of an open file in one of a system's ways. Its errors
// are the system's own.
type source interface {
	// read fills p with what lies at off, perhaps less; 0 and nil is the end.
	read(p []byte, off int64) (int, error)
	stat() (fs.FileInfo, error)
	cache() fixity.Cache
	close() error
}

var errNoEnd = errors.New("the file ended early, though its size is the same")
