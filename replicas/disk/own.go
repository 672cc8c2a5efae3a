package disk

import (
	"context"
	"errors"
	"fmt"
	"os"
	"slices"
	"strings"

	"firmus/fixity"
)

// Own folders are those in the root whose names begin with ".firmus". What lies in
// them is ours: only we read it, and nothing else may be renamed or removed here.

// inOwn says that a path lies inside one of our own folders.
func inOwn(path string) bool {
	top, below, _ := strings.Cut(path, "/")
	return strings.HasPrefix(top, ownPrefix) && below != ""
}

func ownOnly(path string) error {
	if !inOwn(path) {
		return fmt.Errorf("%q lies in no folder of Firmus: %w", path, fixity.ErrRefused)
	}
	_, _, err := split(path)
	return err
}

// Names are the names in one of our own folders, in order; none if it isn't there. Of the
// root itself, "", they are those of ours.
func (d *Dir) Names(ctx context.Context, folder string) ([]string, error) {
	names, err := call(ctx, &d.stuck, func() ([]string, error) {
		if folder != "" && !inOwn(folder+"/x") {
			return nil, fmt.Errorf("it is no folder of Firmus: %w", fixity.ErrRefused)
		}
		r, err := d.enter(folder)
		if errors.Is(err, fixity.ErrVanished) {
			return nil, nil
		}
		if err != nil {
			return nil, err
		}
		defer r.Close()
		f, err := r.Open(".")
		if err != nil {
			return nil, mapErr(err)
		}
		defer f.Close()
		names, err := f.Readdirnames(-1)
		if err != nil {
			return nil, mapErr(err)
		}
		if folder == "" {
			names = slices.DeleteFunc(names, func(n string) bool { return !strings.HasPrefix(n, ownPrefix) })
		}
		return names, nil
	})
	if err != nil {
		return nil, fmt.Errorf("names in %q in %s: %w", folder, d.root, err)
	}
	slices.Sort(names)
	return names, nil
}

// RenameOwn gives something in one of our own folders another name there, in one
// step that lasts. What already has that name is never replaced: fixity.ErrRefused.
func (d *Dir) RenameOwn(ctx context.Context, from, to string) error {
	_, err := call(ctx, &d.stuck, func() (struct{}, error) { return struct{}{}, d.renameOwn(from, to) })
	if err != nil {
		return fmt.Errorf("rename %q to %q in %s: %w", from, to, d.root, err)
	}
	return nil
}

func (d *Dir) renameOwn(from, to string) error {
	if err := errors.Join(ownOnly(from), ownOnly(to)); err != nil {
		return err
	}
	dir, name, _ := split(from)
	dir2, name2, _ := split(to)
	if dir != dir2 {
		return fmt.Errorf("from one folder to another: %w", fixity.ErrRefused)
	}
	r, err := d.enter(dir)
	if err != nil {
		return err
	}
	defer r.Close()
	if _, err := r.Lstat(name2); err == nil {
		return fmt.Errorf("something has that name: %w", fixity.ErrRefused)
	}
	if err := d.do("rename", func() error { return r.Rename(name, name2) }); err != nil {
		return mapErr(err)
	}
	return mapErr(d.do("sync-folder", func() error { return syncNames(r, name2) }))
}

// RemoveOwn removes something in one of our own folders, with all that lies in it. That it is
// gone lasts.
func (d *Dir) RemoveOwn(ctx context.Context, path string) error {
	_, err := call(ctx, &d.stuck, func() (struct{}, error) {
		if err := ownOnly(path); err != nil {
			return struct{}{}, err
		}
		dir, name, _ := split(path)
		r, err := d.enter(dir)
		if errors.Is(err, fixity.ErrVanished) {
			return struct{}{}, nil
		}
		if err != nil {
			return struct{}{}, err
		}
		defer r.Close()
		err = d.do("remove", func() error { return r.RemoveAll(name) })
		if errors.Is(err, os.ErrNotExist) {
			err = nil
		}
		if err == nil {
			err = d.do("sync-folder", func() error { return syncFolder(r) })
		}
		return struct{}{}, mapErr(err)
	})
	if err != nil {
		return fmt.Errorf("remove %q in %s: %w", path, d.root, err)
	}
	return nil
}
