package guarded

import (
	"bytes"
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
	"firmus/replicas/disk"
	"firmus/replicas/named"
)

// Own says, by the first bytes of a file, that Firmus wrote it and that it may be replaced;
// for sheets see Sheet. nil replaces nothing.
type Own func(head []byte) bool

// Credential tells a credential file of a service, ours or one that the service gave.
func Credential(head []byte) bool {
	return bytes.HasPrefix(bytes.TrimSpace(head), []byte("{")) && bytes.Contains(head, []byte(`"type"`))
}

// Replaceable refuses a place whose file something else will write: one in a guarded
// folder, and one where a file lies that own doesn't know.
func (f Folders) Replaceable(file string, own Own) error {
	if err := f.Outside(file); err != nil {
		return err
	}
	_, err := replaceable(file, byHead(own))
	return err
}

// headSize is how many bytes of a file Own is given.
const headSize = 4 << 10

// Write puts a file where a person said. Nothing is written into a guarded folder,
// through a link, or over a file that isn't Firmus's own (fixity.ErrRefused).
//
// Order: write beside it, flush, then take the name. After an error, or a crash at any
// step, the name has what it had before, or the whole new file; at most a file
// ".firmus-new-…" is left beside it, which the next Write of that name removes.
func (f Folders) Write(file string, own Own, write func(io.Writer) error) error {
	return f.put(file, 0o666, byHead(own), write)
}

// Secret is Write for a file that only its owner reads.
func (f Folders) Secret(file string, own Own, write func(io.Writer) error) error {
	return f.put(file, 0o600, byHead(own), write)
}

func (f Folders) put(file string, mode fs.FileMode, may allow, write func(io.Writer) error) error {
	if err := f.Outside(file); err != nil {
		return err
	}
	dir := filepath.Dir(file)
	if st, err := os.Stat(dir); err != nil {
		return fmt.Errorf("write %s: its folder: %w", file, err)
	} else if !st.IsDir() {
		return fmt.Errorf("write %s: %s is no folder: %w", file, dir, fixity.ErrRefused)
	}
	prefix := unfinished(file)
	beside.Clear(dir, prefix)
	// What is in the way is said before anything is written.
	over, err := replaceable(file, may)
	if err != nil {
		return err
	}
	temp, err := beside.File(dir, prefix, mode)
	if err != nil {
		return fmt.Errorf("write %s: %w", file, plainly(err))
	}
	defer temp.Close()
	if err = write(temp); err == nil {
		err = beside.Written(temp)
	}
	if err != nil {
		err = fmt.Errorf("write %s: %w", file, plainly(err))
	} else {
		err = take(temp.Name(), file, over, may)
	}
	if err != nil {
		_ = temp.Close() // before it is removed: Windows removes nothing that is open
		return errors.Join(err, remove(temp.Name()))
	}
	if err := private.FlushNamed(file); err != nil {
		return fmt.Errorf("%s is written, and a power cut may still undo it: %w", file, err)
	}
	return nil
}

// plainly leaves the name out that a file has until it is whole: it says nothing to anybody.
func plainly(err error) error {
	var of *fs.PathError
	if errors.As(err, &of) && strings.HasPrefix(filepath.Base(of.Path), ".firmus-new-") {
		return of.Err
	}
	return err
}

// take gives the new file its name. If nothing lay there, what came there since is
// not replaced.
func take(temp, file string, over bool, may allow) error {
	if over {
		if _, err := replaceable(file, may); err != nil {
			return err
		}
		if err := os.Rename(temp, file); err != nil {
			return fmt.Errorf("write %s: %w", file, err)
		}
		return nil
	}
	err := disk.RenameNew(filepath.Dir(file), filepath.Base(temp), filepath.Base(file))
	if errors.Is(err, fixity.ErrChanged) {
		_, err := replaceable(file, byHead(nil))
		return err
	}
	if err != nil {
		return fmt.Errorf("write %s: %w", file, err)
	}
	return nil
}

// unfinished is how the names begin that a file may have until it is whole: only what was left
// of the same file is cleared away.
func unfinished(file string) string {
	sum := sha256.Sum256([]byte(filepath.Base(file)))
	return fmt.Sprintf(".firmus-new-%x-", sum[:8])
}

func remove(path string) error {
	if err := os.Remove(path); err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	return nil
}

func readHead(path string) ([]byte, error) {
	// Not through a link.
	if st, err := os.Lstat(path); err != nil || !st.Mode().IsRegular() {
		return nil, errors.Join(err, fs.ErrInvalid)
	}
	f, err := named.Open(path)
	if err != nil {
		return nil, err
	}
	defer f.Close()
	return io.ReadAll(io.LimitReader(f, headSize))
}
