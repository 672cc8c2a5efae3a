package disk

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"

	"firmus/fixity"
)

// Move gives the file that was shown as e another place in the root, in one step that
// lasts, making folders that lack. What lies at to is never replaced: fixity.ErrChanged;
// likewise if e isn't what lies at its path any more. A crash leaves it at one of the two.
func (d *Dir) Move(ctx context.Context, e fixity.Entry, to string) error {
	_, err := call(ctx, &d.stuck, func() (struct{}, error) { return struct{}{}, d.move(e, to) })
	if err != nil {
		return fmt.Errorf("move %q to %q in %s: %w", e.Path, to, d.root, err)
	}
	return nil
}

func (d *Dir) move(e fixity.Entry, to string) error {
	dir, name, err := split(e.Path)
	if err != nil {
		return err
	}
	dir2, name2, err := split(to)
	if err != nil {
		return err
	}
	from, err := d.enter(dir)
	if err != nil {
		return err
	}
	defer from.Close()
	fi, err := from.Lstat(name)
	switch {
	case err != nil:
		return mapErr(err)
	case !fi.Mode().IsRegular():
		return fmt.Errorf("%w: no regular file lies there now", fixity.ErrChanged)
	}
	if err := compare(e, fi); err != nil {
		return err
	}
	into, err := d.enterOrMake(dir2)
	if err != nil {
		return err
	}
	defer into.Close()
	if err := d.do("rename", func() error { return renameNew(from, name, into, name2) }); err != nil {
		return mapErr(err)
	}
	if err := d.do("sync-folder", func() error { return syncNames(into, name2) }); err != nil {
		return mapErr(err)
	}
	return mapErr(d.do("sync-folder", func() error { return syncFolder(from) }))
}

// renameNew gives a file a name that nothing has: fixity.ErrChanged if something does. Where
// the system can't do both in one step, something that comes there in just that moment is
// replaced.
func renameNew(from *os.Root, name string, into *os.Root, name2 string) error {
	err := renameNoReplace(from, name, into, name2)
	if errors.Is(err, fs.ErrExist) {
		return fmt.Errorf("%w: something lies there now", fixity.ErrChanged)
	}
	return err
}

// RenameNew gives a file anywhere another name in its folder: fixity.ErrChanged if something has
// that name. See renameNew.
func RenameNew(folder, name, name2 string) error {
	r, err := os.OpenRoot(folder)
	if err != nil {
		return err
	}
	defer r.Close()
	return renameNew(r, name, r, name2)
}

// Free is the room left for us on the root's volume, in bytes; -1 if it isn't known.
func (d *Dir) Free(ctx context.Context) (int64, error) {
	n, err := call(ctx, &d.stuck, func() (int64, error) { return FreeBytes(d.root), nil })
	if err != nil {
		return -1, fmt.Errorf("free space of %s: %w", d.root, err)
	}
	return n, nil
}
