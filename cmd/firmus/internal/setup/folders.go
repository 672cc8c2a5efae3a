package setup

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/disk"
	"firmus/replicas/ground"
)

// At is where a folder of the configuration lies for this process.
func (d *Draft) At(folder string) string {
	if filepath.IsAbs(folder) {
		return folder
	}
	return filepath.Join(d.dir, filepath.FromSlash(folder))
}

// Whole is a folder as it is written into the configuration. A relative one that lies
// where the person stands, and not beside the configuration, is written whole.
func (d *Draft) Whole(a string) string {
	if rest, ok := strings.CutPrefix(a, "~/"); ok || a == "~" {
		if home, err := os.UserHomeDir(); err == nil {
			return filepath.Join(home, rest)
		}
	}
	if a == "" || filepath.IsAbs(a) || isFolder(filepath.Join(d.dir, a)) || !isFolder(a) {
		return a
	}
	if abs, err := filepath.Abs(a); err == nil {
		return abs
	}
	return a
}

// There says that a folder of the configuration is there.
func (d *Draft) There(folder string) bool { return isFolder(d.At(folder)) }

func isFolder(path string) bool {
	st, err := ground.Stat(path)
	return err == nil && st.IsDir()
}

// below joins a folder and a name with the separator that the folder is written with.
func below(folder, name string) string {
	if strings.Contains(folder, `\`) {
		return strings.TrimRight(folder, `\`) + `\` + name
	}
	return strings.TrimRight(folder, "/") + "/" + name
}

// besideOf is the folder of another name beside one.
func besideOf(folder, name string) string {
	if i := strings.LastIndexAny(folder, `\/`); i >= 0 {
		return folder[:i+1] + name
	}
	return name
}

// last is the last part of a path, however it is written.
func last(folder string) string {
	folder = strings.TrimRight(folder, `\/`)
	return folder[strings.LastIndexAny(folder, `\/`)+1:]
}

// proposed is the first of some folders that is there, else the last.
func (d *Draft) proposed(folders ...string) string {
	for _, f := range folders {
		if d.There(f) {
			return f
		}
	}
	return folders[len(folders)-1]
}

// within proposes where in a folder of copies the copies of a set lie: in a sub-folder
// if one is there, or in the folder itself if it holds what the set holds.
func (d *Draft) within(folder, set, source string) string {
	sub := below(folder, set)
	for _, f := range []string{sub, below(folder, last(source))} {
		if d.There(f) {
			return f
		}
	}
	alike, _ := ground.Patiently(d.At(folder), func() bool {
		theirs, _ := os.ReadDir(d.At(source)) // without it nothing is alike
		return slices.ContainsFunc(theirs, func(e fs.DirEntry) bool {
			_, err := os.Lstat(filepath.Join(d.At(folder), e.Name()))
			return err == nil && !strings.HasPrefix(e.Name(), ".") && !strings.HasPrefix(e.Name(), "manifest-")
		})
	})
	if alike {
		return folder
	}
	return sub
}

// Seen is a folder as it may be chosen.
type Seen struct {
	Path, Name string
	Files      int64 // at and below it, as far as was counted
	More       bool  // there are more
	Free       int64 // bytes on its volume; below 0: not known
}

// Places are the folders from which one may be chosen by clicking: what is plugged in, a
// person's usual folders, and where the configuration is to lie. Never the whole computer.
func Places(path string, getenv func(string) string, pluggedIn []string) []string {
	var out []string
	add := func(dirs ...string) {
		for _, dir := range dirs {
			real, err := filepath.EvalSymlinks(dir)
			if err != nil || !filepath.IsAbs(dir) || !isFolder(real) || real == filepath.Dir(real) && !strings.HasSuffix(real, `:\`) {
				continue
			}
			for _, o := range out {
				if inside(o, real) {
					real = ""
					break
				}
			}
			if real != "" {
				out = append(out, real)
			}
		}
	}
	add(pluggedIn...)
	for _, pattern := range []string{"/mnt/*", "/srv/*"} {
		found, _ := filepath.Glob(pattern) // a pattern that is right has no error
		add(found...)
	}
	for _, home := range []string{getenv("HOME"), getenv("USERPROFILE")} {
		if home != "" {
			add(filepath.Join(home, "Music"), filepath.Join(home, "Documents"), filepath.Join(home, "Desktop"), home)
		}
	}
	add(filepath.Dir(path))
	return out
}

// inside says that a path is a folder or lies in it; both are free of links.
func inside(folder, path string) bool {
	rel, err := filepath.Rel(folder, path)
	return err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator)) && !filepath.IsAbs(rel)
}

// countFor is how long the files of one page of folders are counted.
const countFor = 400 * time.Millisecond

// mostCounted is how many files are counted of one folder.
const mostCounted = 10_000

// Look shows what lies in a folder. It refuses one that lies in none of the places, by
// whatever links its path leads there (fixity.ErrDenied), and one that isn't there
// or doesn't answer (fixity.ErrNotFound).
func Look(places []string, dir string) (here Seen, in []Seen, err error) {
	type looked struct {
		here Seen
		in   []Seen
		err  error
	}
	x, ok := ground.Patiently(dir, func() (x looked) { x.here, x.in, x.err = look(places, dir); return x })
	if !ok {
		return Seen{}, nil, fixity.ErrNotFound
	}
	return x.here, x.in, x.err
}

func look(places []string, dir string) (here Seen, in []Seen, err error) {
	real, err := filepath.EvalSymlinks(dir)
	if err != nil || !filepath.IsAbs(dir) {
		return Seen{}, nil, fixity.ErrNotFound
	}
	allowed := false
	for _, p := range places {
		allowed = allowed || inside(p, real)
	}
	if !allowed {
		return Seen{}, nil, fixity.ErrDenied
	}
	list, err := os.ReadDir(real)
	if err != nil {
		if errors.Is(err, fs.ErrPermission) {
			return Seen{}, nil, fixity.ErrDenied
		}
		return Seen{}, nil, fixity.ErrNotFound
	}
	until := time.Now().Add(countFor)
	here = Seen{Path: real, Name: filepath.Base(real), Free: disk.FreeBytes(real)}
	for _, e := range list {
		if strings.HasPrefix(e.Name(), ".") || strings.HasPrefix(e.Name(), "$") {
			continue
		}
		if !e.IsDir() { // a link is no folder here: where it leads may be out of the places
			if e.Type().IsRegular() {
				here.Files++
			}
			continue
		}
		s := Seen{Path: filepath.Join(real, e.Name()), Name: e.Name(), Free: -1}
		s.Files, s.More = count(s.Path, until)
		here.Files, here.More = here.Files+s.Files, here.More || s.More
		in = append(in, s)
	}
	return here, in, nil
}

// Volume is a place with how much is free on its volume.
func Volume(dir string) Seen {
	free, ok := ground.Patiently(dir, func() int64 { return disk.FreeBytes(dir) })
	if !ok {
		free = -1
	}
	return Seen{Path: dir, Name: filepath.Base(dir), Free: free}
}

func count(dir string, until time.Time) (n int64, more bool) {
	_ = filepath.WalkDir(dir, func(_ string, e fs.DirEntry, err error) error {
		if err != nil {
			return nil // what can't be looked at isn't counted
		}
		if n >= mostCounted || time.Now().After(until) {
			more = true
			return fs.SkipAll
		}
		if e.Type().IsRegular() && !strings.HasPrefix(e.Name(), ".") {
			n++
		}
		return nil
	})
	return n, more
}
