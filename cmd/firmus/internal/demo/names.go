package demo

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
)

// holds says that the file system of dir keeps a file at path, a slash-separated
// one, under just these names. It tries, in a folder of its own that is gone
// afterwards: one system refuses a line feed, another takes a name with a blank at
// its end and drops the blank, a third stores an umlaut in another form. The error
// is about that folder, not about the names.
func holds(dir, path string) (bool, error) {
	tmp, err := os.MkdirTemp(dir, "names-")
	if err != nil {
		return false, fmt.Errorf("try the name %q: %w", path, err)
	}
	held := keeps(tmp, strings.Split(path, "/"))
	if err := os.RemoveAll(tmp); err != nil {
		return false, fmt.Errorf("try the name %q: %w", path, err)
	}
	return held, nil
}

func keeps(at string, parts []string) bool {
	full := filepath.Join(append([]string{at}, parts...)...)
	if os.MkdirAll(filepath.Dir(full), 0o755) != nil || os.WriteFile(full, nil, 0o644) != nil {
		return false
	}
	for _, p := range parts {
		names, err := os.ReadDir(at)
		if err != nil || !slices.ContainsFunc(names, func(e os.DirEntry) bool { return e.Name() == p }) {
			return false
		}
		at = filepath.Join(at, p)
	}
	return true
}
