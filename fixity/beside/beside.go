// Package beside makes files and folders that lie beside the place that they are for until
// they are whole. Who makes one holds it; what a run that was killed left is held by nobody,
// and Clear clears it away.
package beside

import (
	"crypto/rand"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

// File makes a file in dir whose name begins with prefix, opens it to write, and holds it
// until it is closed.
func File(dir, prefix string, mode fs.FileMode) (*os.File, error) {
	return held(dir, prefix, func(path string) (*os.File, error) {
		return os.OpenFile(path, os.O_WRONLY|os.O_CREATE|os.O_EXCL, mode)
	})
}

// Written flushes a file that is whole, so that it can take its name. It is still held, but
// on Windows, where what is open takes no other name.
func Written(f *os.File) error {
	err := f.Sync()
	if runtime.GOOS == "windows" {
		err = errors.Join(err, f.Close())
	}
	return err
}

// Folder makes a folder in dir whose name begins with prefix, and holds it until what it
// returns is closed. On Windows a folder can't be renamed while it is held.
func Folder(dir, prefix string) (*os.File, error) {
	return held(dir, prefix, func(path string) (*os.File, error) {
		if err := os.Mkdir(path, 0o777); err != nil {
			return nil, err
		}
		return os.Open(path)
	})
}

// held makes one and holds it. What Clear removed between the two is made once more.
func held(dir, prefix string, begin func(path string) (*os.File, error)) (*os.File, error) {
	for {
		f, err := begin(filepath.Join(dir, prefix+rand.Text()))
		if err != nil {
			return nil, err
		}
		if hold(f) {
			if _, err = os.Lstat(f.Name()); err == nil {
				return f, nil
			}
			if !errors.Is(err, fs.ErrNotExist) {
				return nil, errors.Join(err, f.Close())
			}
		}
		if err := f.Close(); err != nil {
			return nil, err
		}
	}
}

// Clear removes what lies in dir under a name that begins with prefix and that nobody holds.
// What can't be looked at or removed stays, and so does all where the file system has no
// locks.
func Clear(dir, prefix string) {
	es, err := os.ReadDir(dir)
	if err != nil {
		return
	}
	for _, e := range es {
		if strings.HasPrefix(e.Name(), prefix) && (e.IsDir() || e.Type().IsRegular()) {
			remove(filepath.Join(dir, e.Name()))
		}
	}
}
