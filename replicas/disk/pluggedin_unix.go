//go:build !windows

package disk

import (
	"os"
	"path/filepath"
	"slices"
)

// PluggedIn are the places of drives and sticks that were plugged in: what is mounted at
// the usual folders of Linux (Filesystem Hierarchy Standard 3.0, /media; udisks,
// /run/media) and macOS (/Volumes).
func PluggedIn() []string {
	var out []string
	for _, pattern := range []string{"/media/*", "/media/*/*", "/run/media/*/*", "/Volumes/*"} {
		found, _ := filepath.Glob(pattern)
		out = append(out, found...)
	}
	return slices.DeleteFunc(out, func(dir string) bool {
		in, err1 := os.Lstat(dir)
		above, err2 := os.Lstat(filepath.Dir(dir))
		// A folder on the system's own drive is no stick; a link leads elsewhere.
		return err1 != nil || err2 != nil || !in.IsDir() || !otherDevice(in, above)
	})
}
