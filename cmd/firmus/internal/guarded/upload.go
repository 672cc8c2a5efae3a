package guarded

import (
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"firmus/fixity"
	"firmus/fixity/beside"
	"firmus/fixity/ledger/private"
	"firmus/replicas/named"
)

// laying is how the name begins of the file that lies in a folder of uploads until it is whole.
const laying = ".firmus-laying-"

// Uploads is a folder that files are laid in, as a service keeps them: STORE/SET/PATH.
type Uploads struct {
	folders Folders
	dir     string
	again   bool     // some of it lies there, from a run that came to no end
	mark    *os.File // held while it is filled; nil before the first file
}

// Uploads is a new folder for uploads: it isn't there, or is empty, or an earlier run began to
// fill it and came to no end. It lies in no guarded one. Everything else is refused
// (fixity.ErrRefused). Nothing is made before the first file; Close follows.
func (f Folders) Uploads(dir string) (*Uploads, error) {
	if err := f.Outside(dir); err != nil {
		return nil, err
	}
	if err := named.Folder(dir); err != nil {
		return nil, err
	}
	there, marks, err := inUploads(dir)
	if err != nil {
		return nil, err
	}
	if there > 0 && marks == 0 {
		return nil, fmt.Errorf("%s is not empty: name a new folder: %w", dir, fixity.ErrRefused)
	}
	return &Uploads{folders: f, dir: dir, again: marks > 0}, nil
}

// inUploads counts what lies in a folder, and how many of it are marks.
func inUploads(dir string) (there, marks int, err error) {
	es, err := os.ReadDir(dir)
	if errors.Is(err, fs.ErrNotExist) {
		return 0, 0, nil
	}
	for _, e := range es {
		if strings.HasPrefix(e.Name(), laying) {
			marks++
		}
	}
	return len(es), marks, err
}

// Lay lays a file at its place. Nothing that lies there is replaced, but by the same bytes,
// where an earlier run laid it.
func (u *Uploads) Lay(store, set, at string, write func(io.Writer) error) error {
	if err := u.begin(); err != nil {
		return err
	}
	path := filepath.Join(u.dir, store, set, filepath.FromSlash(at))
	if err := private.Make(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	return u.put(path, write)
}

// begin marks the folder, and takes the marks of those who came to no end.
func (u *Uploads) begin() (err error) {
	if u.mark != nil {
		return nil
	}
	if err = private.Make(u.dir, 0o755); err == nil {
		u.mark, err = beside.File(u.dir, laying, 0o600)
	}
	if err != nil {
		return fmt.Errorf("lay files ready in %s: %w", u.dir, err)
	}
	beside.Clear(u.dir, laying)
	if _, marks, err := inUploads(u.dir); err != nil || marks > 1 {
		busy := fmt.Errorf("%s is being filled by another run: %w", u.dir, fixity.ErrBusy)
		return errors.Join(err, busy, u.unmark())
	}
	return nil
}

func (u *Uploads) put(path string, write func(io.Writer) error) error {
	h, written := sha256.New(), false
	return u.folders.put(path, 0o666, func(file string) error {
		if !u.again {
			return notOurs(file)
		}
		if !written {
			return nil // it is looked at once its bytes are known
		}
		in, err := named.Open(file)
		if err != nil {
			return err
		}
		defer in.Close()
		there := sha256.New()
		if _, err := io.Copy(there, in); err != nil {
			return err
		}
		if sum(there) != sum(h) {
			return changed(file)
		}
		return nil
	}, func(w io.Writer) error {
		written = true
		return write(io.MultiWriter(w, h))
	})
}

// Done writes the list of what is to be uploaded where, and the folder is whole: nothing is laid
// in it any more. Without a list, and after an error, it can be gone on with.
func (u *Uploads) Done(name, list string) error {
	if u.mark == nil || list == "" {
		return nil
	}
	if err := u.put(filepath.Join(u.dir, name), func(w io.Writer) error { _, err := io.WriteString(w, list); return err }); err != nil {
		return err
	}
	return u.unmark()
}

// unmark takes the mark away.
func (u *Uploads) unmark() error {
	mark := u.mark
	u.mark = nil
	// Windows removes nothing that is open.
	return errors.Join(mark.Close(), os.Remove(mark.Name()), private.Flush(u.dir))
}

// Close ends the use of the folder.
func (u *Uploads) Close() error {
	if u.mark == nil {
		return nil
	}
	return u.mark.Close()
}
