// Package watch notices what happens in the stores between audits: files that
// appear, change or go, recordings that grow, drives that come. It reads none of
// them. What it notices only makes a file due or an audit begin; what is true is
// for the audit to find.
//
// On Linux the system tells (inotify); elsewhere, on shares and where the system's
// limits are reached, folders are listed every ten minutes.
package watch

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"sync"
	"time"

	"firmus/fixity"
)

// Root is a folder that is watched: one set in one store.
type Root struct {
	Store, Set string
	Path       string // absolute
	// LeaveOut says that what lies at a path is litter; nil: nothing is.
	LeaveOut func(path string, isDir bool) bool
}

// Event is something that happened in a root.
type Event struct {
	Store, Set string
	Path       string // slash path in the root; "" with Any
	Any        bool   // something may have happened anywhere in it
	Gone       bool   // nothing lies at the path any more
}

// ListEvery is how often a root is listed that the system doesn't tell about.
const ListEvery = 10 * time.Minute

// Watcher watches roots.
type Watcher struct {
	Roots []Root
	Now   func() time.Time
	// Event is told what happens. It must return soon, and may be called at once
	// from several goroutines.
	Event func(Event)
	// Said is told how a root is watched, and why if the system doesn't tell of it.
	Said func(r Root, told bool, why string)
	// ListEvery overrides the constant; for tests.
	ListEvery time.Duration
	// NoTelling leaves the system out: everything is listed.
	NoTelling bool

	activity activity
	mu       sync.Mutex
	told     map[string]bool // by root's path
}

// errNotTold: the system doesn't tell what happens in a folder.
var errNotTold = errors.New("the system doesn't tell")

// Run watches until ctx ends. It returns at once then; a root that is stuck in the
// system is left behind.
func (w *Watcher) Run(ctx context.Context) {
	every := w.ListEvery
	if every == 0 {
		every = ListEvery
	}
	tell, err := w.teller()
	if err == nil {
		go tell.run(ctx)
	}
	for _, r := range w.Roots {
		go func() {
			why := err
			if why == nil {
				if why = errIfShared(r.Path); why == nil {
					why = w.told1(ctx, tell, r)
				}
			}
			if ctx.Err() != nil {
				return
			}
			w.said(r, false, why.Error())
			l := lister{w: w, r: r}
			for l.look(ctx); ctx.Err() == nil; l.look(ctx) {
				select {
				case <-ctx.Done():
				case <-time.After(every):
				}
			}
		}()
	}
	<-ctx.Done()
}

// rejoin is how often a root that went away is looked for.
const rejoin = 30 * time.Second

// told1 keeps a root that the system tells about watched: it may go and come again.
// It returns only if the system won't.
func (w *Watcher) told1(ctx context.Context, tell teller, r Root) error {
	first := true
	for ctx.Err() == nil {
		left, err := tell.add(ctx, r)
		switch {
		case errors.Is(err, errNotTold):
			return err
		case err == nil:
			w.said(r, true, "")
			if !first {
				w.emit(Event{Store: r.Store, Set: r.Set, Any: true})
			}
			if w.stays(ctx, r, left); ctx.Err() == nil {
				tell.forget(r)
				w.emit(Event{Store: r.Store, Set: r.Set, Any: true})
			}
		}
		first = false
		select {
		case <-ctx.Done():
		case <-time.After(rejoin):
		}
	}
	return errNotTold
}

// stays returns when a root has gone: the system says so, or another folder is in its
// place, as after a drive was unmounted.
func (w *Watcher) stays(ctx context.Context, r Root, left <-chan struct{}) {
	was, err := os.Stat(r.Path)
	for err == nil {
		select {
		case <-ctx.Done():
			return
		case <-left:
			return
		case <-time.After(rejoin):
		}
		var is os.FileInfo
		if is, err = os.Stat(r.Path); err == nil && !os.SameFile(was, is) {
			return
		}
	}
}

func (w *Watcher) said(r Root, told bool, why string) {
	w.mu.Lock()
	if w.told == nil {
		w.told = map[string]bool{}
	}
	was, known := w.told[r.Path]
	w.told[r.Path] = told
	w.mu.Unlock()
	if w.Said != nil && (!known || was != told) {
		w.Said(r, told, why)
	}
}

// Listed says that a store has a root that is listed, since the system doesn't tell.
func (w *Watcher) Listed(store string) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	for _, r := range w.Roots {
		if told, known := w.told[r.Path]; r.Store == store && known && !told {
			return true
		}
	}
	return false
}

func (w *Watcher) emit(e Event) {
	if w.Event != nil {
		w.Event(e)
	}
}

// wrote notes that a file was written to just now.
func (w *Watcher) wrote(r Root, path string) {
	w.activity.wrote(r.Store, r.Set, path, w.Now())
	w.emit(Event{Store: r.Store, Set: r.Set, Path: path})
}

func (w *Watcher) gone(r Root, path string) {
	w.activity.stirred(w.Now())
	w.activity.gone(r.Store, r.Set, path)
	w.emit(Event{Store: r.Store, Set: r.Set, Path: path, Gone: true})
}

// Growing names a recording that grows in one of the stores, "" if none does.
func (w *Watcher) Growing(in func(store string) bool, but ...Event) string {
	return w.activity.growing(in, but, w.Now())
}

// Quiet is for how long nothing has happened in any root.
func (w *Watcher) Quiet() time.Duration { return w.activity.quiet(w.Now()) }

// ours says that what lies at a path is Firmus's own, or litter.
func (r Root) ours(path string, isDir bool) bool {
	name := path[strings.LastIndexByte(path, '/')+1:]
	if strings.HasPrefix(name, ".firmus") || strings.Contains(path, "/.firmus") || strings.HasPrefix(path, ".firmus") {
		return true
	}
	if !isDir && fixity.IsManifest(path) && !r.inBag(path) {
		return true
	}
	return r.LeaveOut != nil && r.LeaveOut(path, isDir)
}

// inBag says that a path lies in a first-level folder that is a bag: as in an audit, its
// manifests are files of the bag.
func (r Root) inBag(path string) bool {
	top, _, below := strings.Cut(path, "/")
	if !below {
		return false
	}
	st, err := os.Lstat(filepath.Join(r.Path, filepath.FromSlash(top), "bagit.txt"))
	return err == nil && st.Mode().IsRegular()
}

// rel is the slash path in the root of a path on this machine.
func (r Root) rel(name string) (string, bool) {
	rest, ok := strings.CutPrefix(name, r.Path)
	if !ok || rest == "" || !filepath.IsAbs(name) || rest[0] != filepath.Separator {
		return "", false
	}
	return filepath.ToSlash(rest[1:]), true
}

// teller tells what happens in folders as the system tells it.
type teller interface {
	// add begins to tell of a root. left is closed when the root goes. The error is
	// errNotTold if the system won't tell.
	add(ctx context.Context, r Root) (left <-chan struct{}, err error)
	// forget ends it.
	forget(r Root)
	run(ctx context.Context)
}

func notTold(format string, args ...any) error {
	return fmt.Errorf(format+": %w", append(args, errNotTold)...)
}
