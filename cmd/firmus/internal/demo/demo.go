package demo

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path/filepath"
	"time"
)

// ErrNotEmpty says that something lies already where the world should be made.
var ErrNotEmpty = errors.New("folder is not empty")

// World is what Make made.
type World struct {
	Dir     string
	Items   []Item
	Files   int      // under care, in each of the two stores: masters and access files
	Masters int      // of them
	Bytes   int64    // that they have together, in each of the two stores
	Litter  int      // files in the studio that are no one's care
	Refused []string // set and path of files left out, since the file system doesn't hold such names
}

// Item is a reel, with what its label says.
type Item struct {
	Number    string // "QV-0107"
	Title     string // of its first side
	Performer string
	Place     string // where it was recorded
	Recorded  string // yyyy-mm-dd
	Masters   int    // files in each store
	Access    int
}

// Sets and stores, as firmus.toml names them.
const (
	masters = "masters"
	access  = "access"
	studio  = "studio"
	vault   = "vault"
)

var stores = []string{studio, vault}

// Make writes the holdings into dir, which must be empty or absent (else
// ErrNotEmpty, and nothing is touched): firmus.toml, the studio's drive with
// masters, access files and some litter, the vault's with a faithful copy, the
// same times included, and the register. The bytes are the same on every run and every machine; the
// times of the files lie in the months before now.
//
// Some names are awkward on purpose. Those that the file system refuses, or gives
// back otherwise than they were given, are left out and told in World.Refused.
// After any other error an unfinished folder is left.
func Make(dir string, now time.Time) (World, error) {
	w := World{Dir: dir}
	there, err := os.ReadDir(dir)
	switch {
	case errors.Is(err, fs.ErrNotExist):
	case err != nil:
		return w, fmt.Errorf("make the demo: %w", err)
	case len(there) > 0:
		return w, fmt.Errorf("make the demo in %q: %w", dir, ErrNotEmpty)
	}
	for _, st := range stores {
		for _, set := range []string{masters, access} {
			if err := os.MkdirAll(filepath.Join(dir, st, set), 0o755); err != nil {
				return w, fmt.Errorf("make the demo: %w", err)
			}
		}
	}
	for _, r := range reels {
		it := Item{Number: r.number, Title: r.sides[0].title, Performer: r.performer, Place: r.place, Recorded: r.recorded}
		for _, rec := range r.recordings() {
			if rec.odd {
				held, err := holds(dir, rec.path)
				if err != nil {
					return w, fmt.Errorf("make the demo: %w", err)
				}
				if !held {
					w.Refused = append(w.Refused, rec.set+"/"+rec.path)
					continue
				}
			}
			b := rec.encode()
			for _, st := range stores {
				if err := put(place(dir, st, rec.set, rec.path), b, rec.made(now)); err != nil {
					return w, fmt.Errorf("make the demo: %w", err)
				}
			}
			if w.Files, w.Bytes = w.Files+1, w.Bytes+int64(len(b)); rec.set == masters {
				it.Masters, w.Masters = it.Masters+1, w.Masters+1
			} else {
				it.Access++
			}
		}
		w.Items = append(w.Items, it)
	}
	for _, l := range litter {
		if err := put(place(dir, studio, l.set, l.path), noise(l.path, l.size), past(now, 90*time.Minute)); err != nil {
			return w, fmt.Errorf("make the demo: %w", err)
		}
		w.Litter++
	}
	if err := putRegister(dir, now); err != nil {
		return w, fmt.Errorf("make the demo: %w", err)
	}
	// The configuration comes last: a folder that has one is whole.
	if err := put(filepath.Join(dir, "firmus.toml"), configuration, past(now, 0)); err != nil {
		return w, fmt.Errorf("make the demo: %w", err)
	}
	return w, nil
}

// litter is what an operating system and an editor leave in the studio. It shows
// that such files are left out: counted, never taken in, never reported.
var litter = []struct {
	set, path string
	size      int
}{
	{masters, "QV-0101/Thumbs.db", 6144},
	{masters, "QV-0105/.DS_Store", 6148},
	{access, "QV-0103/QV-0103_A_01.wav.pk", 2900},
	{access, "QV-0112/.~lock.notes.txt#", 81},
}

func place(dir, store, set, path string) string {
	return filepath.Join(dir, store, set, filepath.FromSlash(path))
}

// put writes a file with its folders and gives it a time.
func put(path string, b []byte, at time.Time) error {
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		return err
	}
	if err := os.WriteFile(path, b, 0o644); err != nil {
		return err
	}
	return os.Chtimes(path, at, at)
}

// past is a time before now that every file system can keep: FAT counts two
// seconds at a time.
func past(now time.Time, ago time.Duration) time.Time {
	return now.Add(-ago).UTC().Truncate(2 * time.Second)
}
