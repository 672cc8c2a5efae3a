package watch

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"sync"
	"syscall"

	"github.com/fsnotify/fsnotify"
	"golang.org/x/sys/unix"
)

// inotify tells what inotify(7) tells. It knows no folders below folders: each is
// added by itself, and what lies in a new one is told as if it had just come.
type inotify struct {
	w  *Watcher
	fs *fsnotify.Watcher

	mu    sync.Mutex
	roots map[string]*rooted
}

type rooted struct {
	r    Root
	left chan struct{}
	gone bool
}

func (w *Watcher) teller() (teller, error) {
	if w.NoTelling {
		return nil, notTold("not asked for")
	}
	x, err := fsnotify.NewBufferedWatcher(4096)
	if err != nil {
		return nil, notTold("inotify: %v", err)
	}
	return &inotify{w: w, fs: x, roots: map[string]*rooted{}}, nil
}

func (n *inotify) add(ctx context.Context, r Root) (<-chan struct{}, error) {
	if fi, err := os.Stat(r.Path); err != nil || !fi.IsDir() {
		return nil, fmt.Errorf("%s isn't there: %w", r.Path, fs.ErrNotExist)
	}
	x := &rooted{r: r, left: make(chan struct{})}
	n.mu.Lock()
	n.roots[r.Path] = x
	n.mu.Unlock()
	if err := n.addBelow(ctx, x, r.Path, false); err != nil {
		n.drop(x)
		return nil, err
	}
	return x.left, nil
}

// addBelow adds a folder and all below it. With tell, files in them are news: they
// may have come before the folder was watched.
func (n *inotify) addBelow(ctx context.Context, x *rooted, dir string, tell bool) error {
	return filepath.WalkDir(dir, func(name string, d fs.DirEntry, err error) error {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		if err != nil {
			if name == x.r.Path {
				return err
			}
			return nil // it went, or may not be listed: what lies there is not watched
		}
		path, inside := x.r.rel(name)
		if inside && x.r.ours(path, d.IsDir()) {
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if !d.IsDir() {
			if tell && inside && d.Type().IsRegular() {
				n.w.wrote(x.r, path)
			}
			return nil
		}
		err = n.fs.Add(name)
		if errors.Is(err, syscall.ENOSPC) || errors.Is(err, syscall.EMFILE) {
			return notTold("the system's limit of watched folders is reached (fs.inotify.max_user_watches): %v", err)
		}
		if err != nil && !inside {
			return err
		}
		return nil
	})
}

func (n *inotify) forget(r Root) {
	n.mu.Lock()
	x := n.roots[r.Path]
	n.mu.Unlock()
	if x != nil {
		n.drop(x)
	}
}

// drop forgets a root and closes its left.
func (n *inotify) drop(x *rooted) {
	n.mu.Lock()
	if x.gone {
		n.mu.Unlock()
		return
	}
	x.gone = true
	if n.roots[x.r.Path] == x {
		delete(n.roots, x.r.Path)
	}
	n.mu.Unlock()
	for _, name := range n.fs.WatchList() {
		if _, below := x.r.rel(name); below || name == x.r.Path {
			_ = n.fs.Remove(name) // it may be gone
		}
	}
	close(x.left)
}

func (n *inotify) run(ctx context.Context) {
	defer n.fs.Close()
	for {
		select {
		case <-ctx.Done():
			return
		case e, ok := <-n.fs.Events:
			if !ok {
				return
			}
			n.event(ctx, e)
		case err, ok := <-n.fs.Errors:
			if !ok {
				return
			}
			if err != nil {
				n.lost() // also when more happened than the system keeps in mind
			}
		}
	}
}

// lost says that something may have happened anywhere.
func (n *inotify) lost() {
	n.mu.Lock()
	var all []Root
	for _, x := range n.roots {
		all = append(all, x.r)
	}
	n.mu.Unlock()
	n.w.activity.stirred(n.w.Now())
	for _, r := range all {
		n.w.emit(Event{Store: r.Store, Set: r.Set, Any: true})
	}
}

func (n *inotify) of(name string) (*rooted, string) {
	n.mu.Lock()
	defer n.mu.Unlock()
	for _, x := range n.roots {
		if name == x.r.Path {
			return x, ""
		}
		if path, ok := x.r.rel(name); ok {
			return x, path
		}
	}
	return nil, ""
}

func (n *inotify) event(ctx context.Context, e fsnotify.Event) {
	x, path := n.of(e.Name)
	if x == nil {
		return
	}
	went := e.Has(fsnotify.Remove) || e.Has(fsnotify.Rename)
	if path == "" {
		if went {
			n.drop(x)
		}
		return
	}
	switch {
	case x.r.ours(path, false):
	case went:
		n.w.gone(x.r, path)
	case e.Has(fsnotify.Create):
		fi, err := os.Lstat(e.Name)
		switch {
		case err != nil: // it went again, which is told
		case fi.IsDir() && !x.r.ours(path, true):
			if err := n.addBelow(ctx, x, e.Name, true); errors.Is(err, errNotTold) {
				n.w.said(x.r, true, err.Error())
				n.w.emit(Event{Store: x.r.Store, Set: x.r.Set, Any: true})
			}
		case fi.Mode().IsRegular():
			n.w.wrote(x.r, path)
		}
	case e.Has(fsnotify.Write):
		n.w.wrote(x.r, path)
	}
}

// errIfShared says that others may change a folder without this system's knowing:
// statfs(2) names its file system.
func errIfShared(dir string) error {
	var st unix.Statfs_t
	if unix.Statfs(dir, &st) != nil {
		return nil // it isn't there now
	}
	switch uint32(st.Type) {
	case unix.NFS_SUPER_MAGIC, unix.SMB_SUPER_MAGIC, unix.SMB2_SUPER_MAGIC, unix.CIFS_SUPER_MAGIC, unix.FUSE_SUPER_MAGIC,
		unix.V9FS_MAGIC, unix.AFS_FS_MAGIC, unix.AFS_SUPER_MAGIC, unix.CEPH_SUPER_MAGIC, unix.CODA_SUPER_MAGIC:
		return notTold("a share or the like, which others may change")
	}
	return nil
}
