package watch

import (
	"context"
	"hash/maphash"
	"io/fs"
	"os"
	"path/filepath"
)

// lister finds by listing what the system doesn't tell. Of each file it keeps two
// numbers, whatever its name's length.
type lister struct {
	w    *Watcher
	r    Root
	seed maphash.Seed
	was  map[uint64]uint64 // path -> size and time; nil before the first look
}

// look lists the root and tells what differs from the last time. A folder that can't
// be listed hides nothing: what was known below it is taken to be as it was.
func (l *lister) look(ctx context.Context) {
	first := l.was == nil
	if first {
		l.seed = maphash.MakeSeed()
	}
	now := make(map[uint64]uint64, len(l.was))
	whole := true
	type changed struct {
		path string
		new  bool
	}
	var changes []changed
	err := filepath.WalkDir(l.r.Path, func(name string, d fs.DirEntry, err error) error {
		if ctx.Err() != nil {
			return ctx.Err()
		}
		if err != nil {
			whole = false
			if d != nil && d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		path, ok := l.r.rel(name)
		if !ok {
			return nil // the root itself
		}
		if l.r.ours(path, d.IsDir()) {
			if d.IsDir() {
				return fs.SkipDir
			}
			return nil
		}
		if !d.Type().IsRegular() {
			return nil
		}
		fi, err := d.Info()
		if err != nil {
			whole = false
			return nil
		}
		key, sign := maphash.String(l.seed, path), maphash.Comparable(l.seed, [2]int64{fi.Size(), fi.ModTime().UnixNano()})
		now[key] = sign
		if !first {
			if was, known := l.was[key]; !known || was != sign {
				changes = append(changes, changed{path, !known})
			}
		}
		return nil
	})
	if err != nil || ctx.Err() != nil {
		return
	}
	if _, err := os.Lstat(l.r.Path); err != nil {
		return // it is away: not all of its files are gone
	}
	for _, c := range changes {
		l.w.wrote(l.r, c.path)
	}
	missing := false
	for key, sign := range l.was {
		if _, there := now[key]; !there {
			missing = true
			if !whole {
				now[key] = sign
			}
		}
	}
	if missing && whole {
		l.w.activity.stirred(l.w.Now())
		l.w.emit(Event{Store: l.r.Store, Set: l.r.Set, Any: true})
	}
	l.was = now
}
