package disk

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"strings"

	"firmus/fixity"
)

// modeIn is the mode of what is made in a folder. In one that is closed to other
// accounts, or shared with a group by its mode (setgid), it is as the folder is, whatever
// the umask: fixed says so. Elsewhere the umask decides.
func modeIn(parent *os.Root, open fs.FileMode) (mode fs.FileMode, fixed bool) {
	st, err := parent.Stat(".")
	if err != nil {
		return open, false
	}
	m := st.Mode()
	if shared := m&fs.ModeSetgid != 0 && m&0o070 == 0o070; m.Perm()&0o007 != 0 && !shared {
		return open, false
	}
	return open & m.Perm(), true
}

// mkdir makes a folder. One of our own (".firmus…") is closed to other accounts.
func mkdir(r *os.Root, name string, own bool) error {
	mode, fixed := modeIn(r, 0o777)
	if own && mode&0o007 != 0 {
		mode, fixed = 0o700, true
	}
	if err := r.Mkdir(name, mode); err != nil || !fixed {
		return err
	}
	if st, err := r.Lstat(name); err == nil && st.Mode().Perm() != mode {
		_ = r.Chmod(name, mode|st.Mode()&fs.ModeSetgid)
	}
	return nil
}

// Restrict gives one of our own folders, and all that lies in it, the modes of files and
// folders and a group (negative: as it is). mk makes the folder if it isn't there. Where
// the file system has no modes, or what lies there belongs to another account, it stays
// as it is. Errors are those of Replace.
func (d *Dir) Restrict(ctx context.Context, folder string, file, dir fs.FileMode, group int, mk bool) error {
	if !strings.HasPrefix(folder, ownPrefix) {
		return fmt.Errorf("restrict %q in %s: it is no folder of ours: %w", folder, d.root, fixity.ErrRefused)
	}
	_, err := call(ctx, &d.stuck, func() (struct{}, error) {
		enter := d.enter
		if mk {
			enter = d.enterOrMake
		}
		r, err := enter(folder)
		if errors.Is(err, fixity.ErrVanished) && !mk || errors.Is(err, fixity.ErrDenied) {
			return struct{}{}, nil // another account's, as yet
		}
		if err != nil {
			return struct{}{}, err
		}
		defer r.Close()
		access{file, dir, group}.all(r)
		return struct{}{}, nil
	})
	if err != nil {
		return fmt.Errorf("restrict %q in %s: %w", folder, d.root, err)
	}
	return nil
}

type access struct {
	file, dir fs.FileMode
	group     int
}

func (a access) all(r *os.Root) {
	a.one(r, ".")
	f, err := r.Open(".")
	if err != nil {
		return
	}
	names, err := f.ReadDir(-1)
	if err = errors.Join(err, f.Close()); err != nil {
		return // what can't be seen stays as it is
	}
	for _, n := range names {
		switch {
		case n.Type().IsRegular():
			a.one(r, n.Name())
		case n.IsDir():
			if sub, err := enterOne(r, n.Name()); err == nil {
				a.all(sub)
				sub.Close()
			}
		}
	}
}

func (a access) one(r *os.Root, name string) {
	st, err := r.Lstat(name)
	if err != nil {
		return
	}
	want := a.file
	if st.IsDir() {
		want = a.dir
	}
	if g, ok := groupOf(st); ok && a.group >= 0 && g != a.group {
		_ = r.Lchown(name, -1, a.group)
	}
	if st.Mode()&(fs.ModePerm|fs.ModeSetgid) != want {
		_ = r.Chmod(name, want)
	}
}
