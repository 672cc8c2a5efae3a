// Package guarded keeps what commands write where a person says away from the
// recordings and from the record. Every command that writes to a place that a person
// named goes through it: Outside says that nothing may be written there, Write writes
// one file. Nothing in a store's root, in the state folder or in a backup is ever
// touched, and no file is replaced that Firmus did not write itself.
package guarded

import (
	"context"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"strings"

	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/replicas/ground"
)

// Folders are the folders that hold recordings or the record. The zero value knows
// none by the configuration; markers and backups tell the others all the same.
type Folders struct {
	list  []folder
	state string // the state folder; "" without one
}

type folder struct {
	what string
	path string
	is   ground.Place
}

// Of are the state folder and the roots of a configuration; nil is none.
func Of(c *config.Config) Folders {
	var f Folders
	if c == nil {
		return f
	}
	var paths []string
	add := func(what, path string) {
		if path != "" {
			f.list, paths = append(f.list, folder{what: what, path: path}), append(paths, path)
		}
	}
	f.state = c.State
	add("the state folder", c.State)
	for _, s := range c.Stores {
		for _, r := range s.Sets {
			if s.Kind == config.Disk {
				add(fmt.Sprintf("the folder of %s in store %s", r.Set, s.Name), r.Path)
			}
		}
	}
	for i, is := range ground.All(paths) {
		f.list[i].is = is
	}
	return f
}

// silent says that a place can't be looked at.
func silent(at ground.Place) error {
	if !at.Silent {
		return nil
	}
	return fmt.Errorf("%s: its drive has not answered for %s. Is it connected? Try again, or name another place: %w", at.Path, ground.Patience, fixity.ErrAway)
}

// Outside refuses a place for what a command writes (fixity.ErrRefused): one that is,
// or lies in, a store's root, the state folder or a backup of the ledger. Roots and
// backups that the configuration doesn't know are told by their own files.
func (f Folders) Outside(path string) error {
	at := ground.Look(path)
	if err := silent(at); err != nil {
		return err
	}
	for _, g := range f.list {
		if at.Inside(g.is) {
			return fmt.Errorf("%s lies in %s (%s): nothing is written there but by Firmus itself. Name another place: %w", path, g.what, g.path, fixity.ErrRefused)
		}
	}
	for dir := at.Path; ; dir = filepath.Dir(dir) {
		if what := marked(dir); what != "" {
			return fmt.Errorf("%s lies in %s (%s): nothing is written there but by Firmus itself. Name another place: %w", path, what, dir, fixity.ErrRefused)
		}
		if filepath.Dir(dir) == dir {
			return nil
		}
	}
}

// Apart refuses a folder that a person takes for a source, or wants to erase
// (fixity.ErrRefused): one that is, holds or lies in a store's root, the state folder or
// a backup, by whatever path. ours says that a marker's store is one of these
// holdings: a drive that is mounted at another place than the configured one is the
// store all the same. An old drive whose store was replaced or retired is not.
func (f Folders) Apart(ctx context.Context, dir string, ours func(storeID string) (name string, ok bool)) error {
	at := ground.Look(dir)
	if err := silent(at); err != nil {
		return err
	}
	for _, g := range f.list {
		switch {
		case at.Inside(g.is):
			return fmt.Errorf("%s lies in %s (%s): it is one of the copies under care, or the record of them, so it is never a source and never to be erased: %w", dir, g.what, g.path, fixity.ErrRefused)
		case at.Overlaps(g.is):
			return fmt.Errorf("%s holds %s (%s), or a part of it: it is never a source and never to be erased. Name a folder beside it: %w", dir, g.what, g.path, fixity.ErrRefused)
		}
	}
	says := func(at, how string) error {
		if isBackup(at) {
			return fmt.Errorf("%s %s a backup of the ledger (%s), which is not to be erased. Put the backup elsewhere first: %w", dir, how, at, fixity.ErrRefused)
		}
		for _, id := range markersOf(at) {
			if name, ok := ours(id); ok {
				return fmt.Errorf("%s %s a folder of store %s (%s): its marker says so. It is one of the copies under care, so it is never a source and never to be erased: %w", dir, how, name, at, fixity.ErrRefused)
			}
		}
		return nil
	}
	for up := at.Path; ; up = filepath.Dir(up) {
		if err := says(up, "is or lies in"); err != nil {
			return err
		}
		if filepath.Dir(up) == up {
			break
		}
	}
	return filepath.WalkDir(at.Path, func(path string, d fs.DirEntry, err error) error {
		if context.Cause(ctx) != nil {
			return context.Cause(ctx)
		}
		if err != nil || !d.IsDir() {
			return nil // what can't be looked at is told when it is listed
		}
		return says(path, "holds")
	})
}

// backupPrefix begins the names of the folders in roots that hold backups of the ledger.
const backupPrefix = ".firmus-ledger"

// marked says what a folder is by its own files; "" for an ordinary one.
func marked(dir string) string {
	if isBackup(dir) {
		return "a backup of the ledger"
	}
	if len(markers(dir)) > 0 {
		return "the folder of a store, by its marker"
	}
	return ""
}

// isBackup tells a backup by its name, or a copy of one by its files.
func isBackup(dir string) bool {
	if strings.HasPrefix(strings.ToLower(filepath.Base(dir)), backupPrefix) {
		return true
	}
	there := func(name string) bool {
		_, err := os.Lstat(filepath.Join(dir, name))
		return err == nil
	}
	return there("checkpoint.txt") && (there("ledger.db") || there("events"))
}

// markersOf are the stores that a folder's markers name, by their ids.
func markersOf(dir string) []string {
	var ids []string
	for _, n := range markers(dir) {
		text, err := readHead(n)
		if err != nil {
			continue
		}
		for line := range strings.Lines(string(text)) {
			if key, value, ok := strings.Cut(line, ":"); ok && strings.TrimSpace(key) == "store" {
				ids = append(ids, strings.TrimSpace(value))
			}
		}
	}
	return ids
}

// markers are the paths of the markers in a folder.
func markers(dir string) []string {
	// Only a folder is opened: a pipe that nobody writes to would hold us up for ever.
	if st, err := os.Stat(dir); err != nil || !st.IsDir() {
		return nil
	}
	d, err := os.Open(dir)
	if err != nil {
		return nil
	}
	defer d.Close()
	names, _ := d.Readdirnames(-1)
	var out []string
	for _, n := range names {
		if strings.HasPrefix(n, fixity.MarkerPrefix) {
			out = append(out, filepath.Join(dir, n))
		}
	}
	return out
}
