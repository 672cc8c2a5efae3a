package watch

import (
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
)

// When a new file is ripe to be taken in. *Common practice.*
const (
	// BrokenRest is how long a file must have been at rest whose own structure says
	// that something is missing: it may still be copied, or never be whole.
	BrokenRest = 24 * time.Hour
	// openAgain is how long after a file was found open it is looked at again.
	openAgain = 5 * time.Minute
)

// Settled says whether a new file has settled: at rest for as long as asked, open in
// no program as far as the system tells, and whole by its own structure, of which
// only the headers are read. at is when to ask again if it hasn't. A file that can't
// be looked at counts as settled: taking it in will say why it can't be read.
func Settled(root, path string, modified time.Time, rest time.Duration, now time.Time) (ok bool, at time.Time) {
	switch ahead := modified.Sub(now); {
	case ahead > time.Hour:
		return true, time.Time{} // a clock was wrong, and nothing can be told of its rest
	case ahead > 0:
		modified = now
	}
	if ripe := modified.Add(rest); now.Before(ripe) {
		return false, ripe
	}
	r, err := os.OpenRoot(root)
	if err != nil {
		return true, time.Time{}
	}
	defer r.Close()
	f, err := r.Open(filepath.FromSlash(path))
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return false, now.Add(openAgain)
	case err != nil && heldOpen(err):
		return false, now.Add(openAgain)
	case err != nil:
		return true, time.Time{}
	}
	defer f.Close()
	fi, err := f.Stat()
	if err != nil || !fi.Mode().IsRegular() {
		return true, time.Time{}
	}
	if fi.ModTime().After(modified) && now.Sub(fi.ModTime()) < rest {
		return false, fi.ModTime().Add(rest)
	}
	if written(f) {
		return false, now.Add(openAgain)
	}
	if ripe := modified.Add(BrokenRest); now.Before(ripe) {
		if _, notes, err := essence.Inspect(f, fi.Size()); err == nil && sound.Judge(notes) == sound.Broken {
			return false, minTime(ripe, now.Add(rest))
		}
	}
	return true, time.Time{}
}

func minTime(a, b time.Time) time.Time {
	if b.Before(a) {
		return b
	}
	return a
}
