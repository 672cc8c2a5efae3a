package bag

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"iter"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/manifest"
)

// Step is what Make is at.
type Step string

// Steps of making a bag.
const (
	Copying     Step = "copying"
	Comparing   Step = "reading the source once more"
	ReadingBack Step = "reading back"
)

// MakeOptions say what a new bag holds besides its payload. Only Open must be set.
type MakeOptions struct {
	// Open gives a Folder of a folder on this machine that lists everything: the
	// bag is read back through it, past the page cache where it can, and Make reads
	// its source through it.
	Open func(dir string) (manifest.Folder, error)
	// Algorithms of the payload and tag manifests; none is SHA-512, RFC 8493's own
	// choice for new bags (section 2.4).
	Algorithms []fixity.Algorithm
	// Info is what bag-info.txt says, in this order. Bagging-Date and Payload-Oxum
	// are added.
	Info Info
	// Date is the Bagging-Date; zero leaves it out.
	Date time.Time
	// Tags are further tag files.
	Tags []TagFile
	// Whole, if set, is called when the bag was read back, before it gets its name. If it
	// returns an error, there is no bag.
	Whole func(Made) error
	// Progress, if set, is told each file and the bytes of it that were just
	// copied or read back.
	Progress func(step Step, path string, bytes int64)
}

// TagFile is a tag file with a content of the caller's.
type TagFile struct {
	Path string // relative to the bag, not below "data"
	Text []byte
}

// File is a file for the payload.
type File struct {
	Path    string    // where it goes below "data"
	ModTime time.Time // kept where it isn't zero
	Open    func(ctx context.Context) (fixity.Reader, error)
	// Fill, where it is set, writes the file in the place of Open, and says which time it is
	// to keep. begin gives where to; called once more, it begins the file anew.
	Fill func(ctx context.Context, begin func() (io.Writer, error)) (time.Time, error)
	// Want are digests that the file must have once it is copied, of the bag's algorithms;
	// others are passed over. Without any, what Open gives is read twice.
	Want []fixity.Digest
}

// Made is what Make made. As JSON: {"files":2,"bytes":123,"cache":"bypassed","warnings":["…"]}.
type Made struct {
	Files    int          // in the payload
	Bytes    int64        // in the payload
	Cache    fixity.Cache // the weakest treatment of the page cache when it was read back
	Warnings []manifest.Warning
	// Manifest is the name of the tag manifest by the bag's last algorithm, and Digest that
	// file's digest by it: they vouch for all else in the bag.
	Manifest string
	Digest   fixity.Digest
}

// MarshalJSON gives the document above.
func (m Made) MarshalJSON() ([]byte, error) {
	warnings := []string{}
	for _, w := range m.Warnings {
		warnings = append(warnings, w.String())
	}
	return json.Marshal(struct {
		Files    int          `json:"files"`
		Bytes    int64        `json:"bytes"`
		Cache    fixity.Cache `json:"cache,omitempty"`
		Warnings []string     `json:"warnings"`
	}{m.Files, m.Bytes, m.Cache, warnings})
}

// ErrNotAsWritten says that a bag was read back and isn't what was written.
var ErrNotAsWritten = errors.New("read back, and not what was written")

// Make makes the bag dest of version 1.0 out of all files below the folder src.
// Files are copied, flushed to the medium, read back and compared; src is only
// read, each file twice (manifest.ErrUnsteady). What links, special files and placeholders lie in src is refused, since
// a bag holds files only; so are names that aren't UTF-8 and names that differ
// only in Unicode normalisation (RFC 8493, section 6.1.1.3), and dest if something
// lies there or it is inside src (fixity.ErrRefused).
//
// The bag is built beside dest under a name that begins with ".firmus-bag-" and
// renamed when it is whole: after a crash or error nothing lies under the name
// dest, and after an error nothing else is left behind. What a crash left beside it is
// cleared away by the next Make there. The error wraps that of
// the source, the operating system's, or ErrNotAsWritten.
func Make(ctx context.Context, src, dest string, o MakeOptions) (Made, error) {
	if err := apart(src, dest); err != nil {
		return Made{}, fmt.Errorf("make bag %q: %w", dest, err)
	}
	f, err := o.Open(src)
	if err != nil {
		return Made{}, fmt.Errorf("make bag %q: %w", dest, err)
	}
	if err := onlyFiles(ctx, f); err != nil {
		return Made{}, fmt.Errorf("make bag %q: %w", dest, err)
	}
	m, err := Build(ctx, files(ctx, f), dest, o)
	if err != nil {
		return m, err
	}
	empty, err := emptyFolders(src)
	if err != nil {
		return m, fmt.Errorf("made bag %q, but looking for empty folders: %w", dest, err)
	}
	var warn manifest.Warnings
	for _, w := range slices.Concat(m.Warnings, empty) {
		warn.Add(w)
	}
	m.Warnings = warn.List()
	return m, nil
}

// apart refuses a dest that lies inside src.
func apart(src, dest string) error {
	fi, err := os.Stat(src)
	if err != nil {
		return err
	}
	if !fi.IsDir() {
		return fmt.Errorf("%w: %q is no folder", fixity.ErrRefused, src)
	}
	from, err := real(src)
	if err != nil {
		return err
	}
	parent, err := real(filepath.Dir(dest))
	if err != nil {
		return err
	}
	rel, err := filepath.Rel(from, parent)
	if err == nil && rel != ".." && !strings.HasPrefix(rel, ".."+string(filepath.Separator)) {
		return fmt.Errorf("%w: it would lie inside %q; choose a place outside", fixity.ErrRefused, src)
	}
	return nil
}

// real is the absolute path of path without links.
func real(path string) (string, error) {
	abs, err := filepath.Abs(path)
	if err != nil {
		return "", err
	}
	return filepath.EvalSymlinks(abs)
}

// maxNamed is how many files an error names.
const maxNamed = 10

// onlyFiles refuses a source that holds anything but files, before a byte is copied.
func onlyFiles(ctx context.Context, f manifest.Folder) error {
	var odd []string
	n := 0
	for e, err := range manifest.Entries(ctx, f) {
		if err != nil {
			return err
		}
		if e.Type == fixity.File {
			continue
		}
		if n++; n <= maxNamed {
			odd = append(odd, fmt.Sprintf("%q (%s)", e.Path, typeName(e.Type)))
		}
	}
	if n == 0 {
		return nil
	}
	if n > maxNamed {
		odd = append(odd, fmt.Sprintf("and %d more", n-maxNamed))
	}
	return fmt.Errorf("%w: a bag holds files only, and there are others: %s", fixity.ErrRefused, strings.Join(odd, ", "))
}

func typeName(t fixity.Type) string {
	switch t {
	case fixity.Link:
		return "a link"
	case fixity.Online:
		return "online only"
	case fixity.LeftOut:
		return "left out"
	}
	return "a special file"
}

func files(ctx context.Context, f manifest.Folder) iter.Seq2[File, error] {
	return func(yield func(File, error) bool) {
		for e, err := range manifest.Entries(ctx, f) {
			if err == nil && e.Type != fixity.File {
				err = fmt.Errorf("%w: %q", fixity.ErrChanged, e.Path)
			}
			open := func(ctx context.Context) (fixity.Reader, error) { return f.Open(ctx, e, 0) }
			if !yield(File{Path: e.Path, ModTime: e.ModTime, Open: open}, err) || err != nil {
				return
			}
		}
	}
}

// emptyFolders warns of folders below src in which nothing lies.
func emptyFolders(src string) ([]manifest.Warning, error) {
	root, err := os.OpenRoot(src)
	if err != nil {
		return nil, err
	}
	defer root.Close()
	var empty []manifest.Warning
	err = fs.WalkDir(root.FS(), ".", func(path string, d fs.DirEntry, err error) error {
		if err != nil || !d.IsDir() {
			return err
		}
		inside, err := fs.ReadDir(root.FS(), path)
		if err == nil && len(inside) == 0 && path != "." {
			empty = append(empty, manifest.Warning{Reason: manifest.EmptyFolder, File: path})
		}
		return err
	})
	return empty, err
}
