package cloud

import (
	"context"
	"errors"
	"fmt"
	"io/fs"

	"firmus/fixity"
)

// ErrOtherSize is what a Service's Open gives if the bytes are of a file of
// another size than the item has.
var ErrOtherSize = errors.New("the bytes are of a file of another size")

// Stat is what List would show of path now: the service is asked for the item that
// the newest listing showed there. It fails with fixity.ErrVanished if that was
// moved, renamed, put in the bin or can't be seen any more, or if the listing
// shows nothing there (a new one is made if it isn't fresh); with fixity.ErrAway
// if the folder itself can't be seen. That a folder above it was renamed shows in
// the next listing only.
func (f *Folder) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	e, err := f.stat(ctx, path)
	if err != nil {
		return fixity.Entry{}, fmt.Errorf("stat %q in set %q: %w", path, f.set, err)
	}
	return e, nil
}

func (f *Folder) stat(ctx context.Context, path string) (fixity.Entry, error) {
	n, err := f.lookup(ctx, path)
	if err != nil {
		return fixity.Entry{}, err
	}
	if n.item.Kind == Dir && !f.litter(path, true) {
		return fixity.Entry{}, fmt.Errorf("%w: a folder lies there", fixity.ErrVanished)
	}
	it, err := f.s.still(ctx, n.item)
	if err != nil {
		return fixity.Entry{}, err
	}
	return f.entry(path, &node{item: &it, name: n.name}), nil
}

// lookup finds what the newest listing shows at path. A place is believed of any
// listing, since the item is asked for by its id then; that nothing is there, only
// of a fresh one.
func (f *Folder) lookup(ctx context.Context, path string) (*node, error) {
	if err := checkPath(path); err != nil {
		return nil, err
	}
	if err := f.s.hold(ctx); err != nil {
		return nil, err
	}
	defer f.s.release()
	if f.s.last != nil {
		if top, err := f.s.last.tree(ctx, f.set); err == nil {
			if n := top.find(path); n != nil {
				return n, nil
			}
		}
	}
	l := f.s.cur
	if l == nil || f.s.o.Now().Sub(l.at) > f.s.o.Fresh {
		var err error
		if l, err = f.s.relist(ctx); err != nil {
			return nil, err
		}
	}
	top, err := l.tree(ctx, f.set)
	if err != nil {
		return nil, err
	}
	if n := top.find(path); n != nil {
		return n, nil
	}
	return nil, fmt.Errorf("%w: the listing of %s shows nothing there", fixity.ErrVanished, l.at.UTC().Format("2 Jan 2006 15:04:05 UTC"))
}

// present is the item with an id as it is now. What can't be seen has vanished, or the folder
// can't be seen either.
func (s *Store) present(ctx context.Context, id string) (Item, error) {
	it, err := s.get(ctx, id)
	switch classOf(err) {
	case NotVisible:
		err = s.vanished(ctx, fmt.Errorf("%w: deleted, or no longer shared: %w", fixity.ErrVanished, err))
	case ThisFile:
		err = s.vanished(ctx, err) // a credential that is refused now is refused of each file
	}
	return it, err
}

// still is the item as it is now, if it lies where it was listed.
func (s *Store) still(ctx context.Context, was *Item) (Item, error) {
	it, err := s.present(ctx, was.ID)
	switch {
	case err != nil:
		return it, err
	case it.InBin:
		return it, fmt.Errorf("%w: %s", fixity.ErrVanished, binned)
	case it.Name != was.Name:
		return it, fmt.Errorf("%w: it is named %q now", fixity.ErrVanished, it.Name)
	case it.Parent != was.Parent && it.Parent != "":
		return it, fmt.Errorf("%w: it lies in another folder now", fixity.ErrVanished)
	}
	return it, nil
}

// vanished is err, unless the folder itself can't be seen: then nothing can be
// said of what lies in it.
func (s *Store) vanished(ctx context.Context, err error) error {
	if _, away := s.root(ctx); away != nil {
		return away
	}
	return err
}

// Open opens the file that List or Stat showed as e and gives its bytes from
// offset on.
//
// The Reader is pinned: by e.Pin if e has one, by e's size and time if it has
// these, and by what Open found. With none of them nothing of e but its path is
// compared. At its end a Reader asks the service again, and gives
// fixity.ErrChanged instead of io.EOF unless the file is still the same version.
// A broken or stalled transfer is taken up again where it stopped, if the file is
// still the same.
//
// Errors of Open and of the Reader wrap, where it applies, fixity.ErrVanished,
// ErrChanged, ErrDenied (the service forbids this file), ErrNotNow, ErrUnreadable (it
// promises other bytes than it gives), ErrAway, and ErrTomorrow, ErrLater or
// ErrBlind of this package. Bytes before an error are as the service gave them.
//
// A Reader may be closed while a Read is under way.
func (f *Folder) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	r, err := f.open(ctx, e, offset)
	if err != nil {
		return nil, fmt.Errorf("open %q in set %q: %w", e.Path, f.set, err)
	}
	return r, nil
}

func (f *Folder) open(ctx context.Context, e fixity.Entry, offset int64) (*reader, error) {
	if e.Type != fixity.File {
		return nil, fmt.Errorf("%w: not a file that has bytes", fixity.ErrRefused)
	}
	if offset < 0 {
		return nil, fmt.Errorf("offset %d: %w", offset, fs.ErrInvalid)
	}
	n, err := f.lookup(ctx, e.Path)
	if errors.Is(err, fixity.ErrVanished) {
		return nil, f.s.vanished(ctx, err)
	}
	if err != nil {
		return nil, err
	}
	it, err := f.s.still(ctx, n.item)
	if err != nil {
		return nil, err
	}
	switch {
	case it.Kind != Blob:
		return nil, fmt.Errorf("%w: no file that has bytes lies there", fixity.ErrChanged)
	case e.Pin != (fixity.Pin{}) && e.Pin != it.pin():
		return nil, fmt.Errorf("%w: another version, of %d bytes and of %s, lies there now", fixity.ErrChanged, it.Size, it.ModTime.UTC())
	case e.Pin == (fixity.Pin{}) && !e.ModTime.IsZero() && (e.Size != it.Size || !e.ModTime.Equal(it.ModTime)):
		return nil, fmt.Errorf("%w: it is %d bytes long and of %s now", fixity.ErrChanged, it.Size, it.ModTime.UTC())
	case it.NoBytes && it.Class != "":
		return nil, fmt.Errorf("%w: it lies in the service's class %s, and has to be restored from there first", fixity.ErrNotNow, it.Class)
	case it.NoBytes:
		return nil, fmt.Errorf("%w: whoever it belongs to does not allow reading it", fixity.ErrDenied)
	}
	from := min(offset, it.Size)
	r := &reader{s: f.s, it: it, from: from, off: from}
	r.ctx, r.cancel = context.WithCancelCause(ctx)
	return r, nil
}
