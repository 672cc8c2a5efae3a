package disk

import (
	"context"
	"fmt"

	"firmus/fixity"
	"firmus/replicas/ground"
)

// Volume finds out which volume the root lies on. It fails with fixity.ErrAway without
// the root, and as Identify does otherwise.
func (d *Dir) Volume(ctx context.Context) (fixity.Lies, error) {
	l, err := call(ctx, &d.stuck, func() (fixity.Lies, error) {
		l, err := ground.VolumeOf(d.root)
		if err != nil {
			return l, awayOrDenied(err)
		}
		return l, nil
	})
	if err != nil {
		return fixity.Lies{}, fmt.Errorf("volume of %s: %w", d.root, err)
	}
	return l, nil
}

// FileID is equal for two paths that lead to one file, whatever root each is below, and
// for no other two as long as both files are there. It is never kept. "" if the system
// doesn't tell. It fails as Stat does.
func (d *Dir) FileID(ctx context.Context, path string) (string, error) {
	dir, name, err := split(path)
	if err != nil {
		return "", err
	}
	id, err := call(ctx, &d.stuck, func() (string, error) {
		r, err := d.enter(dir)
		if err != nil {
			return "", err
		}
		defer r.Close()
		return fileID(r, name)
	})
	if err != nil {
		return "", fmt.Errorf("identity of %q in %s: %w", path, d.root, err)
	}
	return id, nil
}
