package guarded

import (
	"bytes"
	"crypto/rand"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"firmus/fixity"
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
	return f.put(file, byHead(own), write)
}

func (f Folders) put(file string, may allow, write func(io.Writer) error) error {
	if err := f.Outside(file); err != nil {
		return err
	}
	dir := filepath.Dir(file)
	if st, err := os.Stat(dir); err != nil {
		return fmt.Errorf("write %s: its folder: %w", file, err)
	} else if !st.IsDir() {
		return fmt.Errorf("write %s: %s is no folder: %w", file, dir, fixity.ErrRefused)
	}
	stem := clear(file)
	// What is in the way is said before anything is written.
	over, err := replaceable(file, may)
	if err != nil {
		return err
	}
	temp := stem + rand.Text()
	if err := writeNew(temp, write); err != nil {
		return errors.Join(fmt.Errorf("write %s: %w", file, err), remove(temp))
	}
	if err := take(temp, file, over, may); err != nil {
		return errors.Join(err, remove(temp))
	}
	return private.FlushNamed(file)
}

func writeNew(path string, write func(io.Writer) error) error {
	w, err := os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, 0o666)
	if err != nil {
		return err
	}
	err = write(w)
	if err == nil {
		err = w.Sync()
	}
	return errors.Join(err, w.Close())
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

// clear removes what a crash left of an earlier file of that name, and gives the beginning of
// the names that a new one may have until it is whole. Should another process write the same
// file just now, it fails and harms nothing.
func clear(file string) (stem string) {
	dir := filepath.Dir(file)
	sum := sha256.Sum256([]byte(filepath.Base(file)))
	stem = fmt.Sprintf(".firmus-new-%x-", sum[:8])
	names, _ := os.ReadDir(dir) // what isn't seen is left
	for _, n := range names {
		if strings.HasPrefix(n.Name(), stem) && n.Type().IsRegular() {
			_ = os.Remove(filepath.Join(dir, n.Name()))
		}
	}
	return filepath.Join(dir, stem)
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
