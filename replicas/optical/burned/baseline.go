package burned

import (
	"bytes"
	"compress/gzip"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"slices"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
)

// Baseline is what a first reading of a disc leaves, where nothing is known of what
// was burned on it. What agrees with it is what the disc held then, whatever that was.
type Baseline struct {
	Files []BaseFile // by their paths; nil: no data was read
	Sound *cdda.Baseline
}

// BaseFile is one file of a baseline.
type BaseFile struct {
	Path   string   `json:"-"` // on the disc, whatever its bytes
	Size   int64    `json:"size"`
	BLAKE3 string   `json:"blake3,omitempty"` // hexadecimal; "" if not all of it was read
	Blocks []uint32 `json:"blocks,omitempty"` // CRC-32C of each 64 KiB
	Unread []int    `json:"unread,omitempty"` // blocks that weren't read whole, ascending
}

// unknown says that the first reading is no witness of block i.
func (b *BaseFile) unknown(i int) bool {
	_, ok := slices.BinarySearch(b.Unread, i)
	return ok
}

// file is what a later reading is held against.
func (b BaseFile) file() (File, error) {
	f := File{Name: b.Path, Size: b.Size, Blocks: b.Blocks}
	if b.BLAKE3 == "" {
		return f, nil
	}
	d, err := fixity.ParseDigest(fixity.BLAKE3, b.BLAKE3)
	if err != nil {
		return f, err
	}
	f.Digests = []fixity.Digest{d}
	return f, nil
}

// ErrBaseline: bytes that aren't a baseline, or not a whole one.
var ErrBaseline = errors.New("not the baseline of a disc")

// maxText bounds an unpacked baseline.
const maxText = 64 << 20

// withinBounds refuses a text that is too long, or that would unpack into far more than
// its length: each object and each number takes a mark of its own.
func withinBounds(text []byte) error {
	const numbers = 8 << 20
	if len(text) > maxText || bytes.Count(text, []byte("{")) > discfs.MaxFiles+2*cdda.MaxWindows || bytes.Count(text, []byte(",")) > numbers {
		return fmt.Errorf("%w: too long", ErrBaseline)
	}
	return nil
}

// stored is the form of a baseline that is kept. Paths are bytes, not always text.
type stored struct {
	Version int            `json:"version"`
	Files   []storedFile   `json:"files"` // null: no data was read
	Sound   *cdda.Baseline `json:"sound,omitempty"`
}

type storedFile struct {
	Path []byte `json:"path"`
	BaseFile
}

// MarshalBinary packs a baseline: JSON, compressed (RFC 1952).
func (b *Baseline) MarshalBinary() ([]byte, error) {
	var out bytes.Buffer
	z := gzip.NewWriter(&out)
	s := stored{Version: 1, Sound: b.Sound}
	if b.Files != nil {
		s.Files = make([]storedFile, 0, len(b.Files))
	}
	for _, f := range b.Files {
		s.Files = append(s.Files, storedFile{[]byte(f.Path), f})
	}
	text, err := json.Marshal(s)
	if err == nil {
		err = withinBounds(text)
	}
	if err != nil {
		return nil, err
	}
	if _, err := z.Write(text); err != nil {
		return nil, err
	}
	if err := z.Close(); err != nil {
		return nil, err
	}
	return out.Bytes(), nil
}

// UnmarshalBinary unpacks one. Bytes of anybody's give ErrBaseline, with the reason;
// it allocates no more than some hundred megabytes for them.
func (b *Baseline) UnmarshalBinary(p []byte) error {
	z, err := gzip.NewReader(bytes.NewReader(p))
	if err != nil {
		return fmt.Errorf("%w: %w", ErrBaseline, err)
	}
	text, err := io.ReadAll(io.LimitReader(z, maxText+1))
	if err != nil {
		return fmt.Errorf("%w: %w", ErrBaseline, err)
	}
	if err := withinBounds(text); err != nil {
		return err
	}
	var s stored
	if err := json.Unmarshal(text, &s); err != nil {
		return fmt.Errorf("%w: %w", ErrBaseline, err)
	}
	if s.Version != 1 {
		return fmt.Errorf("%w: of version %d, which isn't known here", ErrBaseline, s.Version)
	}
	x := Baseline{Sound: s.Sound}
	if s.Files != nil {
		x.Files = make([]BaseFile, 0, len(s.Files))
	}
	for _, f := range s.Files {
		f.BaseFile.Path = string(f.Path)
		x.Files = append(x.Files, f.BaseFile)
	}
	if err := x.validate(); err != nil {
		return fmt.Errorf("%w: %w", ErrBaseline, err)
	}
	*b = x
	return nil
}

func (b *Baseline) validate() error {
	if len(b.Files) > discfs.MaxFiles {
		return errors.New("too many files")
	}
	for _, f := range b.Files {
		if f.Size < 0 || f.Size > 1<<46 || len(f.Blocks) > 0 && int64(len(f.Blocks)) != (f.Size+digest.BlockSize-1)/digest.BlockSize {
			return fmt.Errorf("file of %d bytes with %d sums", f.Size, len(f.Blocks))
		}
		for k, u := range f.Unread {
			if u < 0 || u >= len(f.Blocks) || k > 0 && u <= f.Unread[k-1] {
				return fmt.Errorf("block %d of a file of %d", u, len(f.Blocks))
			}
		}
		if _, err := f.file(); err != nil {
			return err
		}
	}
	if b.Sound != nil {
		return b.Sound.Validate()
	}
	return nil
}

// fromBaseline makes the files of a baseline those that are wanted.
func (d *dataCheck) fromBaseline() error {
	d.base = d.w.Baseline.Files
	d.r.Baseline = d.w.Baseline
	for _, b := range d.base {
		f, err := b.file()
		if err != nil {
			return fmt.Errorf("baseline of the disc: %w", err)
		}
		d.want = append(d.want, len(d.r.Files))
		d.r.Files = append(d.r.Files, Held{Name: f.Name, LBA: -1})
		d.wanted = append(d.wanted, f)
	}
	return nil
}

// first makes a baseline of the files of a tree.
func (d *dataCheck) first(list []view, t *tree) (Verdict, error) {
	d.algs = []fixity.Algorithm{fixity.BLAKE3}
	files := make([]BaseFile, 0, len(t.files))
	for _, f := range t.files {
		r, err := d.readFile(t, f)
		if err != nil {
			return "", err
		}
		b := BaseFile{Path: f.Path, Size: f.Size, Blocks: r.sums.Blocks}
		if len(r.bad) == 0 {
			s, _ := r.sums.Get(fixity.BLAKE3)
			b.BLAKE3 = s.Sum
		}
		for i := range b.Blocks {
			if r.lacks(i) {
				b.Unread = append(b.Unread, i)
			}
		}
		files = append(files, b)
	}
	d.keep().Files = files
	if t.err != nil {
		d.notFound = true
		d.r.Problems = append(d.r.Problems, t.err)
	}
	d.lose()
	d.attribute(t, discfs.OfFile, discfs.OfStructure)
	if err := d.attributeRest(list, t); err != nil {
		return "", err
	}
	if d.r.UnreadableAll > 0 || d.notFound {
		return fixity.DiscUnreadable, nil
	}
	return fixity.DiscBaseline, nil
}
