package config

import "firmus/replicas/ground"

const theState = "the state folder"

// folder is one that must have nothing to do with the others.
type folder struct {
	what string
	at   place
	is   ground.Place
}

// checkRoots: a file in two roots would be two files, and a ledger in a root would
// be a recording. Links, bind mounts and the spelling of a name don't hide it, as
// far as the folders exist.
func (r *reader) checkRoots(c *Config) {
	var all []folder
	var paths []string
	add := func(what string, at place, path string) {
		all, paths = append(all, folder{what: what, at: at}), append(paths, path)
	}
	if c.State != "" {
		add(theState, r.at("state"), c.State)
	}
	for _, s := range c.Stores {
		for _, root := range s.Sets {
			if root.Path != "" {
				add("the folder of "+root.Set+" in "+s.Name, r.at("store", s.Name, "sets", root.Set), root.Path)
			}
		}
	}
	for i, is := range ground.All(paths) {
		all[i].is = is
	}
	for i, b := range all {
		for _, a := range all[:i] {
			at := b.at
			if a.what == theState && a.at != (place{1, 1}) { // its own line, where it has one
				at = a.at
			}
			switch in, out := b.is.Inside(a.is), a.is.Inside(b.is); {
			case in && out:
				r.fail(at, "%s is the same folder as %s", b.what, a.what)
			case in:
				r.fail(at, "%s lies inside %s", b.what, a.what)
			case out:
				r.fail(at, "%s lies inside %s", a.what, b.what)
			case a.is.Overlaps(b.is):
				r.fail(at, "%s and %s share a folder, by a mount in one of them", a.what, b.what)
			}
		}
	}
}
