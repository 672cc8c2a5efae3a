package guarded

import (
	"crypto/sha256"
	"encoding/hex"
	"errors"
	"fmt"
	"hash"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger/private"
	"firmus/replicas/named"
)

// Sheet is Write for what is written anew again and again. kind says what it is, such as
// "holdings, html". A file that this archive's Firmus wrote there as the same kind is
// replaced while nobody has changed it; everything else is refused, with what to do.
//
// What was written is noted in the state folder, by place: no form of a file can tell by
// itself that a person hasn't changed it. Where no note can be kept the file is written all
// the same, and refused the next time.
func (f Folders) Sheet(file, kind string, write func(io.Writer) error) error {
	n := f.noteOf(file)
	h := sha256.New()
	err := f.put(file, 0o666, n.own(kind), func(w io.Writer) error {
		if err := write(io.MultiWriter(w, h)); err != nil {
			return err
		}
		// Both, until the new file has the name: after a crash either may lie there.
		_ = n.keep(kind, append(n.read().sums, sum(h))...)
		return nil
	})
	if err == nil {
		_ = n.keep(kind, sum(h))
	}
	return err
}

// MaySheet refuses a place at which Sheet would refuse to write.
func (f Folders) MaySheet(file, kind string) error {
	if err := f.Outside(file); err != nil {
		return err
	}
	_, err := replaceable(file, f.noteOf(file).own(kind))
	return err
}

func sum(h hash.Hash) string { return hex.EncodeToString(h.Sum(nil)) }

// note is what was written at a place: its file in the state folder, "" if none is kept.
type note struct{ file string }

// wrote is what a note says.
type wrote struct {
	kind string
	sums []string // SHA-256
}

// noteFolder is where notes lie in the state folder.
const noteFolder = "written"

func (f Folders) noteOf(file string) note {
	abs, err := filepath.Abs(file)
	if err != nil || f.state == "" {
		return note{}
	}
	if dir, err := filepath.EvalSymlinks(filepath.Dir(abs)); err == nil {
		abs = filepath.Join(dir, filepath.Base(abs))
	}
	name := sha256.Sum256([]byte(abs))
	return note{filepath.Join(f.state, noteFolder, hex.EncodeToString(name[:16]))}
}

func (n note) read() (w wrote) {
	if n.file == "" {
		return w
	}
	text, err := readHead(n.file)
	if err != nil {
		return w
	}
	lines := strings.Split(strings.TrimSuffix(string(text), "\n"), "\n")
	return wrote{lines[0], lines[1:]}
}

func (n note) keep(kind string, sums ...string) error {
	if n.file == "" {
		return nil
	}
	if err := private.MkdirAll(filepath.Dir(n.file)); err != nil {
		return err
	}
	return private.Replace(n.file, []byte(strings.Join(append([]string{kind}, sums...), "\n")+"\n"))
}

// own says that what lies at a place may be replaced by a sheet of a kind.
func (n note) own(kind string) allow {
	return func(file string) error {
		w := n.read()
		if w.kind == "" {
			return notOurs(file)
		}
		in, err := named.Open(file)
		if err != nil {
			return err
		}
		defer in.Close()
		h := sha256.New()
		if _, err := io.Copy(h, in); err != nil {
			return err
		}
		switch {
		case !slices.Contains(w.sums, sum(h)):
			return changed(file)
		case w.kind != kind:
			return fmt.Errorf("%s is there already, and is something else (%s; this is %s): it was not touched. Move it away, or name another file: %w", file, w.kind, kind, fixity.ErrRefused)
		}
		return nil
	}
}

// allow says that the file at a place may be replaced; else the error says why not.
type allow func(file string) error

// byHead allows what is told by its first bytes; nil allows nothing.
func byHead(own Own) allow {
	return func(file string) error {
		if own == nil {
			return notOurs(file)
		}
		head, err := readHead(file)
		if err != nil {
			return fmt.Errorf("write %s: look at what lies there: %w", file, err)
		}
		if !own(head) {
			return notOurs(file)
		}
		return nil
	}
}

func notOurs(file string) error {
	return fmt.Errorf("%s is there already, and Firmus has no note that it wrote it: it was not touched. Name another file: %w", file, fixity.ErrRefused)
}

// replaceable says whether a file that may be replaced lies at the name, and refuses whatever
// else lies there.
func replaceable(file string, may allow) (bool, error) {
	st, err := os.Lstat(file)
	if errors.Is(err, fs.ErrNotExist) {
		return false, nil
	}
	if err != nil {
		return false, fmt.Errorf("write %s: %w", file, err)
	}
	if !st.Mode().IsRegular() {
		return false, notOurs(file)
	}
	return true, may(file)
}
