package demo

import (
	"bytes"
	"errors"
	"fmt"
	"io/fs"
	"os"
	"path"
	"time"
)

// hand does what hands, programs and drives do to files, all below one folder: no
// link in it leads outside.
type hand struct {
	root *os.Root
	now  time.Time
}

func openHand(dir string, now time.Time) (*hand, error) {
	r, err := os.OpenRoot(dir)
	if err != nil {
		return nil, err
	}
	return &hand{r, past(now, 0)}, nil
}

func (h *hand) close() { h.root.Close() }

func (h *hand) at(store, set, p string) string { return path.Join(store, set) + "/" + p }

// ours is nil if the file is, byte for byte, what Make wrote; ErrNotOurs if not.
func (h *hand) ours(store, set, p string) error {
	x, ok := find(set, p)
	if !ok {
		return fmt.Errorf("%s/%s/%s: %w", store, set, p, ErrNotOurs)
	}
	got, err := h.root.ReadFile(h.at(store, set, p))
	if err != nil && !errors.Is(err, fs.ErrNotExist) {
		return err
	}
	if err != nil || !bytes.Equal(got, x.encode()) {
		return fmt.Errorf("%s/%s/%s: %w", store, set, p, ErrNotOurs)
	}
	return nil
}

// vacant is nil if nothing lies at a path.
func (h *hand) vacant(store, set, p string) error {
	_, err := h.root.Lstat(h.at(store, set, p))
	if err == nil {
		return fmt.Errorf("%s/%s/%s: %w", store, set, p, ErrNotOurs)
	}
	if errors.Is(err, fs.ErrNotExist) {
		return nil
	}
	return err
}

// inPlace changes bytes of a file and leaves its length and time as they were.
func (h *hand) inPlace(p Planted, change func(b []byte)) error {
	name := h.at(p.Store, p.Set, p.Path)
	fi, err := h.root.Lstat(name)
	if err != nil {
		return err
	}
	b, err := h.root.ReadFile(name)
	if err != nil {
		return err
	}
	change(b)
	return h.write(name, b, fi.ModTime())
}

// write gives a file these bytes and this time. The file stays the one it was, as
// it does under most programs that save.
func (h *hand) write(name string, b []byte, at time.Time) error {
	if err := h.root.WriteFile(name, b, 0o644); err != nil {
		return err
	}
	return h.root.Chtimes(name, at, at)
}

// zero puts zeros in the place of whole blocks, n from the first on.
func zero(first, n int) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		return h.inPlace(p, func(b []byte) { clear(b[first*block : (first+n)*block]) })
	}
}

// zeroFrom puts zeros in the place of everything from a block on: the length was
// given before the bytes came, and a copy bears the time of what it was made from.
func zeroFrom(first int) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		return h.inPlace(p, func(b []byte) { clear(b[first*block:]) })
	}
}

// flip turns one bit of the byte at an offset.
func flip(offset, bit int) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		return h.inPlace(p, func(b []byte) { b[offset] ^= 1 << bit })
	}
}

// cut leaves only the first n bytes.
func cut(n int64) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		b, err := h.root.ReadFile(h.at(p.Store, p.Set, p.Path))
		if err != nil {
			return err
		}
		return h.write(h.at(p.Store, p.Set, p.Path), b[:n], h.now)
	}
}

// hang appends to a file.
func hang(tail func() []byte) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		b, err := h.root.ReadFile(h.at(p.Store, p.Set, p.Path))
		if err != nil {
			return err
		}
		return h.write(h.at(p.Store, p.Set, p.Path), append(b, tail()...), h.now)
	}
}

// tag is an ID3v1 tag, 128 bytes that music programs look for at a file's end.
func tag() []byte {
	b := append([]byte("TAG"), make([]byte, 125)...)
	copy(b[3:33], "Track 1")
	copy(b[33:63], "Unknown singer")
	b[127] = 255 // no genre
	return b
}

// marks is a chunk behind the sound with an editor's settings.
func marks() []byte { return chunk("mrks", noise("marks", 3210)) }

// saveOver saves a file anew from an editor: another cut, so many milliseconds
// longer, and filtered while at it.
func saveOver(longer int) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		return h.save(p.Store, p.Set, p.Path, longer, h.now)
	}
}

func (h *hand) save(store, set, p string, longer int, at time.Time) error {
	x, _ := find(set, p)
	x.from, x.length = max(0, x.from-longer/2), x.length+longer
	x.path += " in the editor" // its noise is another
	return h.write(h.at(store, set, p), x.encode(), at)
}

// copyFrom copies another file of the same set to this place, its time included,
// whether or not something lies there.
func copyFrom(from string) func(*hand, Planted) error {
	return func(h *hand, p Planted) error { return h.copy(p.Store, p.Set, from, p.Path) }
}

func (h *hand) copy(store, set, from, to string) error {
	fi, err := h.root.Lstat(h.at(store, set, from))
	if err != nil {
		return err
	}
	b, err := h.root.ReadFile(h.at(store, set, from))
	if err != nil {
		return err
	}
	return h.write(h.at(store, set, to), b, fi.ModTime())
}

func remove(h *hand, p Planted) error { return h.root.Remove(h.at(p.Store, p.Set, p.Path)) }

func move(h *hand, p Planted) error {
	return h.root.Rename(h.at(p.Store, p.Set, p.Path), h.at(p.Store, p.Set, p.FoundAt))
}

// swap exchanges the names of two files of a set.
func swap(with string) func(*hand, Planted) error {
	return func(h *hand, p Planted) error {
		a, b := h.at(p.Store, p.Set, p.Path), h.at(p.Store, p.Set, with)
		aside := a + ".aside"
		for _, to := range [][2]string{{a, aside}, {b, a}, {aside, b}} {
			if err := h.root.Rename(to[0], to[1]); err != nil {
				return err
			}
		}
		return nil
	}
}

// misspell changes one digit of the first digest in a manifest.
func misspell(h *hand, p Planted) error {
	name := h.at(p.Store, p.Set, p.Path)
	b, err := h.root.ReadFile(name)
	if err != nil {
		return err
	}
	if len(b) < 64 {
		return fmt.Errorf("%w: no digest in its first line", ErrNotOurs)
	}
	if b[7] == '0' {
		b[7] = '1'
	} else {
		b[7] = '0'
	}
	return h.write(name, b, h.now)
}
