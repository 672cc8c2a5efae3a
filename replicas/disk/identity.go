package disk

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"strings"

	"firmus/fixity"
)

// errDamaged: a marker is there and can't be understood.
var errDamaged = errors.New("marker is damaged")

// Identify says what the root says of itself. Without a marker of this store's
// name, and always if Options.Marker is false, Holdings, Store and Set are empty.
// Writable is what the operating system says before it is tried.
//
// It fails with fixity.ErrAway when no folder is there, it can't be read, or its
// marker is damaged (the text has the path); with fixity.ErrDenied when the
// operating system forbids it.
func (d *Dir) Identify(ctx context.Context) (fixity.Identity, error) {
	id, err := call(ctx, &d.stuck, d.identify)
	if err != nil {
		return fixity.Identity{}, fmt.Errorf("identify %s: %w", d.root, err)
	}
	return id, nil
}

func (d *Dir) identify() (fixity.Identity, error) {
	r, err := d.openRoot()
	if err != nil {
		return fixity.Identity{}, err
	}
	defer r.Close()
	var id fixity.Identity
	if d.o.Marker {
		if id, err = d.marker(r); err != nil {
			return fixity.Identity{}, err
		}
	}
	if id.Empty, err = d.empty(r); err != nil {
		return fixity.Identity{}, awayOrDenied(err)
	}
	id.Writable = writable(d.root)
	if err := d.sameRoot(r); err != nil {
		return fixity.Identity{}, err
	}
	return id, nil
}

// marker reads this store's marker, past the page cache: a drive that was pulled
// may still answer from memory. No marker is a zero Identity.
func (d *Dir) marker(r *os.Root) (fixity.Identity, error) {
	name := d.markerName()
	path := filepath.Join(d.root, name)
	text, err := d.readIn(r, name, maxMarker)
	switch {
	case errors.Is(err, fixity.ErrVanished):
		return fixity.Identity{}, nil
	case errors.Is(err, fixity.ErrChanged), errors.Is(err, errTooLong):
		return fixity.Identity{}, fmt.Errorf("%w: %w: %s: %w", fixity.ErrAway, errDamaged, path, err)
	case err != nil:
		return fixity.Identity{}, fmt.Errorf("%s: %w", path, awayOrDenied(err))
	}
	id, err := parseMarker(text)
	if err != nil {
		return fixity.Identity{}, fmt.Errorf("%w: %w: %s %w", fixity.ErrAway, errDamaged, path, err)
	}
	return id, nil
}

// empty says that nothing lies in the root but litter and our own files.
func (d *Dir) empty(r *os.Root) (bool, error) {
	f, err := r.Open(".")
	if err != nil {
		return false, err
	}
	defer f.Close()
	for {
		names, err := f.Readdirnames(256)
		for _, name := range names {
			if strings.HasPrefix(name, ownPrefix) {
				continue
			}
			fi, err := r.Lstat(name)
			if err != nil && gone(err) {
				continue
			}
			if err != nil || !d.leftOut(name, fi.IsDir()) {
				return false, nil // what can't be looked at is there all the same
			}
		}
		if err == io.EOF {
			return true, nil
		}
		if err != nil {
			return false, err
		}
	}
}

// Adopt writes id's Holdings, Store and Set as the root's marker, as Replace
// writes a file. A marker that says the same is left alone. One that says
// anything else, or is damaged, is left alone too: fixity.ErrRefused.
func (d *Dir) Adopt(ctx context.Context, id fixity.Identity) error { return d.adopt(ctx, id, false) }

// TakeOver is Adopt, and replaces a marker that says something else: for a
// ledger that was lost, or a store that is another's by a person's word.
func (d *Dir) TakeOver(ctx context.Context, id fixity.Identity) error { return d.adopt(ctx, id, true) }

func (d *Dir) adopt(ctx context.Context, id fixity.Identity, over bool) error {
	if !d.o.Marker {
		return fmt.Errorf("adopt %s: %w: this store has no markers", d.root, fixity.ErrRefused)
	}
	if err := valid(id); err != nil {
		return fmt.Errorf("adopt %s: %w", d.root, err)
	}
	was, err := call(ctx, &d.stuck, func() (fixity.Identity, error) {
		r, err := d.openRoot()
		if err != nil {
			return fixity.Identity{}, err
		}
		defer r.Close()
		return d.marker(r)
	})
	damaged := errors.Is(err, errDamaged)
	switch {
	case damaged && !over:
		return fmt.Errorf("adopt %s: %w: %v", d.root, fixity.ErrRefused, err)
	case err != nil && !damaged:
		return fmt.Errorf("adopt %s: %w", d.root, err)
	case !damaged && was.Holdings == id.Holdings && was.Store == id.Store && was.Set == id.Set:
		return nil
	case !damaged && was.Marked() && !over:
		return fmt.Errorf("adopt %s: %w: its marker says holdings %q, store %q, set %q", d.root, fixity.ErrRefused, was.Holdings, was.Store, was.Set)
	}
	err = d.Replace(ctx, d.markerName(), func(w io.Writer) error {
		_, err := w.Write(markerText(id))
		return err
	})
	if s := d.stands.Load(); err == nil && s != nil {
		d.stands.CompareAndSwap(s, &standing{id: id, by: s.by})
	}
	return err
}
