// Package ground tells where a folder lies: whether it is, holds or lies in another
// folder, by whatever path, link, mount or spelling each is named, and which volume
// it lies on. It only looks; it opens no file and writes nothing.
package ground

import (
	"fmt"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"sync"
	"time"

	"firmus/fixity"
)

// Place is where a path leads. It is found out once, by Look, and says what was so then.
type Place struct {
	Path   string        // absolute, with links resolved as far as it exists
	Silent bool          // its drive didn't answer within Patience: only its name and mounts are known
	is     os.FileInfo   // nil if nothing lies there
	above  []os.FileInfo // what exists of it and of the folders it lies in, itself first
	shown  inner         // where it lies inside its file system
	mounts []inner       // what is mounted below it
}

// inner is a place inside a file system, whatever it is mounted as.
type inner struct {
	device string // of the file system, good while it is mounted; "" if it isn't known
	path   string // from the file system's own root, with slashes
}

// in says that the place is other, or lies below it.
func (i inner) in(other inner) bool {
	return i.device != "" && i.device == other.device && below(i.path, other.path)
}

// Patience is how long a drive is waited for. Most that sleep have turned up by then.
const Patience = 15 * time.Second

// silent are the paths that are still looked at by a look that was left behind: no other is
// begun there or below, or they would pile up, and each be waited for.
var silent sync.Map

// hangs says that a look at a path, or at a folder that it lies in, was left behind.
func hangs(path string) (is bool) {
	silent.Range(func(at, _ any) bool {
		is = below(path, at.(string))
		return !is
	})
	return is
}

// Patiently does what looks at what lies at a path, and waits for a drive that doesn't answer no
// longer than Patience: then ok is false.
func Patiently[T any](path string, do func() T) (v T, ok bool) {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	if hangs(path) {
		return v, false
	}
	got := make(chan T, 1)
	var mu sync.Mutex
	left, done := false, false
	go func() {
		v := do()
		mu.Lock()
		defer mu.Unlock()
		if done = true; left {
			silent.Delete(path)
		}
		got <- v
	}()
	timer := time.NewTimer(Patience)
	defer timer.Stop()
	select {
	case v := <-got:
		return v, true
	case <-timer.C:
	}
	mu.Lock()
	defer mu.Unlock()
	if done {
		return <-got, true
	}
	left = true
	silent.Store(path, true)
	return v, false
}

// Stat is os.Stat of a path that a person named. If its drive doesn't answer, the error is
// fixity.ErrAway.
func Stat(path string) (os.FileInfo, error) {
	type found struct {
		info os.FileInfo
		err  error
	}
	f, ok := Patiently(path, func() (f found) { f.info, f.err = os.Stat(path); return f })
	if !ok {
		return nil, fmt.Errorf("%s: its drive has not answered for %s: %w", path, Patience, fixity.ErrAway)
	}
	return f.info, f.err
}

// Look finds out where a path leads. The path, or the end of it, needn't exist. It gives what can
// be told without a drive that doesn't answer.
func Look(path string) Place {
	if abs, err := filepath.Abs(path); err == nil {
		path = abs
	}
	if p, ok := Patiently(path, func() Place { return look(path) }); ok {
		return p
	}
	p := Place{Path: path, Silent: true}
	p.shown, p.mounts = mounted(path)
	return p
}

// All is Look for several paths, all at the same time.
func All(paths []string) []Place {
	out := make([]Place, len(paths))
	var all sync.WaitGroup
	for i, p := range paths {
		all.Go(func() { out[i] = Look(p) })
	}
	all.Wait()
	return out
}

func look(path string) Place {
	p := Place{Path: realPath(path)}
	for at := p.Path; ; at = filepath.Dir(at) {
		if info, err := os.Stat(at); err == nil {
			p.above = append(p.above, info)
			if at == p.Path {
				p.is = info
			}
		}
		if filepath.Dir(at) == at {
			break
		}
	}
	p.shown, p.mounts = mounted(p.Path)
	return p
}

// Inside says that p is other, or lies below it.
func (p Place) Inside(other Place) bool {
	if below(fold(p.Path), fold(other.Path)) {
		return true
	}
	if other.is != nil {
		for _, info := range p.above {
			if os.SameFile(info, other.is) {
				return true
			}
		}
	}
	for _, o := range append([]inner{other.shown}, other.mounts...) {
		if p.shown.in(o) {
			return true
		}
	}
	return false
}

// Overlaps says that p is other, lies below it, or holds it or a part of it.
func (p Place) Overlaps(other Place) bool {
	if p.Inside(other) || other.Inside(p) {
		return true
	}
	for _, a := range append([]inner{p.shown}, p.mounts...) {
		for _, b := range append([]inner{other.shown}, other.mounts...) {
			if a.in(b) {
				return true
			}
		}
	}
	return false
}

// below says that path is of, or lies below it.
func below(path, of string) bool {
	rel, err := filepath.Rel(of, path)
	return err == nil && filepath.IsLocal(rel)
}

// fold takes case out of a path where the system takes no notice of it.
func fold(path string) string {
	if runtime.GOOS == "windows" || runtime.GOOS == "darwin" {
		return strings.ToLower(path)
	}
	return path
}

// realPath resolves the links in what exists of path.
func realPath(path string) string {
	rest := ""
	for p := path; ; p = filepath.Dir(p) {
		if q, err := resolve(p); err == nil {
			return filepath.Join(q, rest)
		}
		// A link that leads nowhere yet: what is written through it lies where it points.
		if to, err := os.Readlink(p); err == nil {
			if !filepath.IsAbs(to) {
				to = filepath.Join(filepath.Dir(p), to)
			}
			if q, err := resolve(filepath.Dir(to)); err == nil {
				return filepath.Join(q, filepath.Base(to), rest)
			}
		}
		if filepath.Dir(p) == p {
			return path
		}
		rest = filepath.Join(filepath.Base(p), rest)
	}
}
