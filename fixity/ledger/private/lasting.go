package private

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"runtime"
	"syscall"
)

// Flush makes the names in a folder last, whatever folder it is: what was made, renamed or
// removed there stays so after a power cut. Windows can't, and needn't; some file systems, and
// folders that may not be listed, refuse it, and are let pass.
func Flush(dir string) error {
	if runtime.GOOS == "windows" {
		return nil
	}
	d, err := os.Open(dir)
	if errors.Is(err, fs.ErrPermission) {
		return nil
	}
	if err != nil {
		return err
	}
	if err = d.Sync(); errors.Is(err, fs.ErrPermission) || errors.Is(err, syscall.EINVAL) || errors.Is(err, errors.ErrUnsupported) {
		err = nil
	}
	if err = errors.Join(err, d.Close()); err != nil {
		return fmt.Errorf("flush %s: %w", dir, err)
	}
	return nil
}

// FlushNamed is Flush of the folder of something that was just given its name, a file or a
// folder. On FAT its length and where it begins stand beside its name, and the kernel writes
// them behind a rename only when it is itself flushed.
func FlushNamed(path string) error {
	if runtime.GOOS != "windows" {
		if f, err := os.Open(path); err == nil { // what may not be read is left to its folder
			_ = f.Sync() // a folder on some shares has no such thing
			f.Close()
		}
	}
	return Flush(filepath.Dir(path))
}

// Make is os.MkdirAll for any folder, such as a state folder itself: the names that it makes
// last.
func Make(dir string, mode fs.FileMode) error {
	var lack []string
	for at := filepath.Clean(dir); ; at = filepath.Dir(at) {
		if _, err := os.Lstat(at); err == nil || at == filepath.Dir(at) {
			break
		}
		lack = append(lack, filepath.Dir(at))
	}
	if err := os.MkdirAll(dir, mode); err != nil {
		return err
	}
	for _, in := range lack {
		if err := Flush(in); err != nil {
			return err
		}
	}
	return nil
}
