// Package private makes and opens what lies in the state folder, so that nobody reads it
// who shouldn't: files of mode 0600 in folders of mode 0700. A state folder that is shared
// with a group says so by its own mode, 2770 (setgid): then files are 0660, whoever makes
// them and whatever his umask is. File systems without modes, and Windows, are let pass.
package private

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"

	"firmus/fixity/beside"
)

// Modes are those of all that lies in a folder.
type Modes struct {
	File, Dir fs.FileMode
	owner     owner // of the folder: what root makes there is given to it
}

// Of are the modes of what lies in the state folder, or in one below it.
func Of(folder string) Modes {
	m := Modes{File: 0o600, Dir: 0o700}
	st, err := os.Stat(folder)
	if err != nil {
		return m
	}
	m.owner = ownerOf(st)
	if Shared(st.Mode()) {
		m.File, m.Dir = 0o660, 0o770|fs.ModeSetgid
	}
	return m
}

// Group is that of a shared folder; negative for one that is closed.
func (m Modes) Group() int {
	if m.Dir&fs.ModeSetgid == 0 {
		return -1
	}
	return m.owner.group()
}

// Shared says that a folder's mode is that of one shared with its group.
func Shared(mode fs.FileMode) bool {
	return mode&fs.ModeSetgid != 0 && mode&0o070 == 0o070
}

// MkdirAll makes a folder below the state folder, and what lacks on the way. Like the
// others here it makes things as the folder is that they lie in.
func MkdirAll(dir string) error {
	if st, err := os.Stat(dir); err == nil && st.IsDir() {
		return nil
	}
	if err := MkdirAll(filepath.Dir(dir)); err != nil {
		return err
	}
	m := Of(filepath.Dir(dir))
	err := os.Mkdir(dir, m.Dir.Perm())
	if err == nil {
		m.close(dir, true)
		return Flush(filepath.Dir(dir))
	}
	if st, err2 := os.Stat(dir); err2 == nil && st.IsDir() {
		return nil // another process was faster
	}
	return err
}

// OpenFile is os.OpenFile.
func OpenFile(path string, flag int) (*os.File, error) {
	m := Of(filepath.Dir(path))
	f, err := os.OpenFile(path, flag, m.File)
	if err == nil && flag&os.O_CREATE != 0 {
		m.close(path, false)
	}
	return f, err
}

// WriteFile is os.WriteFile.
func WriteFile(path string, b []byte) error {
	f, err := OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_TRUNC)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	return errors.Join(err, f.Close())
}

// Replace puts a file in the place of what is at path, or where nothing is. The bytes are on
// the medium before the file has its name, and the name before Replace returns: after an error
// or a crash at any moment path has what it had, or the whole new file, and at most a file
// beside it, whose name ends in ".new", which the next Replace of that path takes over.
func Replace(path string, b []byte) error {
	temp := path + ".new"
	f, err := OpenFile(temp, os.O_WRONLY|os.O_CREATE|os.O_TRUNC)
	if err != nil {
		return err
	}
	_, err = f.Write(b)
	if err = errors.Join(err, f.Sync(), f.Close()); err != nil {
		return errors.Join(err, os.Remove(temp))
	}
	if err := os.Rename(temp, path); err != nil {
		return err
	}
	return FlushNamed(path)
}

// CreateTemp is beside.File.
func CreateTemp(dir, prefix string) (*os.File, error) {
	f, err := beside.File(dir, prefix, 0o600)
	if err == nil {
		Of(dir).close(f.Name(), false)
	}
	return f, err
}

// MkdirTemp is os.MkdirTemp.
func MkdirTemp(dir, pattern string) (string, error) {
	made, err := os.MkdirTemp(dir, pattern)
	if err == nil {
		Of(dir).close(made, true)
	}
	return made, err
}

// Tighten gives all that lies in a state folder the modes it should have, and says how
// many were more open. It looks through the folder only if one of the things that are
// always there is not as it should be. What belongs to somebody else stays as it is.
func Tighten(state string) (opened int) {
	m := Of(state)
	wrong := false
	for _, name := range []string{"", "ledger.db", "ledger.db-wal", "ledger.db-shm", "record.key", "events", "locks"} {
		if st, err := os.Lstat(filepath.Join(state, name)); err == nil && !m.fits(st) {
			wrong = true
		}
	}
	if wrong {
		opened = m.All(state)
	}
	return opened
}

// All gives all that lies in a folder these modes, and says how many things were more
// open. Links are not followed.
func (m Modes) All(folder string) (opened int) {
	_ = filepath.WalkDir(folder, func(path string, d fs.DirEntry, err error) error {
		if err != nil {
			return nil // what can't be seen is left
		}
		st, err := d.Info()
		if err != nil || m.fits(st) || !st.IsDir() && !st.Mode().IsRegular() {
			return nil
		}
		if m.close(path, st.IsDir()); st.Mode().Perm()&^m.of(st.IsDir()).Perm() != 0 {
			if now, err := os.Lstat(path); err == nil && m.fits(now) {
				opened++
			}
		}
		return nil
	})
	return opened
}

func (m Modes) of(dir bool) fs.FileMode {
	if dir {
		return m.Dir
	}
	return m.File
}

const bits = fs.ModePerm | fs.ModeSetgid

func (m Modes) fits(st fs.FileInfo) bool {
	if runtime.GOOS == "windows" {
		return true
	}
	want := m.of(st.IsDir())
	if want&fs.ModeSetgid == 0 { // one that a folder inherited from its parent harms nothing
		return st.Mode().Perm() == want.Perm()
	}
	return st.Mode()&bits == want
}

// close gives one thing its mode, and as root its owner. What the system refuses (it
// belongs to another account, or the file system has no modes) stays.
func (m Modes) close(path string, dir bool) {
	if runtime.GOOS == "windows" {
		return
	}
	m.owner.give(path)
	if st, err := os.Lstat(path); err == nil && !m.fits(st) {
		_ = os.Chmod(path, m.of(dir))
	}
}
