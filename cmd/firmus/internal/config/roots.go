package config

import (
	"os"
	"path/filepath"
	"runtime"
	"strings"
)

const theState = "the state folder"

// folder is one that must have nothing to do with the others.
type folder struct {
	what  string
	at    place
	real  string        // with links resolved as far as it exists
	above []os.FileInfo // what exists of it and its parents, itself first
	is    os.FileInfo   // nil if it doesn't exist
}

// checkRoots: a file in two roots would be two files, and a ledger in a root would
// be a recording. Links, bind mounts and the spelling of a name don't hide it, as
// far as the folders exist.
func (r *reader) checkRoots(c *Config) {
	var all []folder
	if c.State != "" {
		all = append(all, look(theState, r.at("state"), c.State))
	}
	for _, s := range c.Stores {
		for _, root := range s.Sets {
			if root.Path != "" {
				what := "the root of " + root.Set + " in " + s.Name
				all = append(all, look(what, r.at("store", s.Name, "sets", root.Set), root.Path))
			}
		}
	}
	for i, b := range all {
		for _, a := range all[:i] {
			at := b.at
			if a.what == theState && a.at != (place{1, 1}) { // its own line, where it has one
				at = a.at
			}
			switch in, out := b.inside(a), a.inside(b); {
			case in && out:
				r.fail(at, "%s is the same folder as %s", b.what, a.what)
			case in:
				r.fail(at, "%s lies inside %s", b.what, a.what)
			case out:
				r.fail(at, "%s lies inside %s", a.what, b.what)
			}
		}
	}
}

func look(what string, at place, path string) folder {
	f := folder{what: what, at: at, real: realPath(path)}
	for p := f.real; ; p = filepath.Dir(p) {
		if info, err := os.Stat(p); err == nil {
			f.above = append(f.above, info)
			if p == f.real {
				f.is = info
			}
		}
		if filepath.Dir(p) == p {
			return f
		}
	}
}

// inside says that f is g, or lies below it.
func (f folder) inside(g folder) bool {
	a, b := f.real, g.real
	if runtime.GOOS == "windows" || runtime.GOOS == "darwin" {
		a, b = strings.ToLower(a), strings.ToLower(b)
	}
	if rel, err := filepath.Rel(b, a); err == nil && filepath.IsLocal(rel) {
		return true
	}
	if g.is == nil {
		return false
	}
	for _, info := range f.above {
		if os.SameFile(info, g.is) {
			return true
		}
	}
	return false
}

// realPath resolves the links in what exists of path.
func realPath(path string) string {
	rest := ""
	for p := path; ; p = filepath.Dir(p) {
		if q, err := filepath.EvalSymlinks(p); err == nil {
			return filepath.Join(q, rest)
		}
		if filepath.Dir(p) == p {
			return path
		}
		rest = filepath.Join(filepath.Base(p), rest)
	}
}
