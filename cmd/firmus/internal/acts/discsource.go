package acts

import (
	"cmp"
	"context"
	"errors"
	"io"
	"path/filepath"
	"slices"
	"sync"

	"firmus/fixity"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// sources are the copies that audio discs are compared with, opened for one check.
type sources struct {
	e      *Env
	open   []io.Closer
	copies map[int64]ledger.Copy // by file: the copy that is used
	read   map[int64]*digested   // by file: what is read of that copy
	Bring  []string              // stores that hold what none within reach does
}

func newSources(e *Env) *sources {
	return &sources{e: e, copies: map[int64]ledger.Copy{}, read: map[int64]*digested{}}
}

func (s *sources) Close() {
	for _, c := range s.open {
		c.Close()
	}
}

// sound finds the samples of the version of a file that was burned, in a copy that is
// intact as far as is known and can be read now; nil if there is none. A FLAC is decoded
// into a temporary file first.
func (s *sources) sound(ctx context.Context, f ledger.File, version int64) (*DiscSound, error) {
	var copies []ledger.Copy
	var want fixity.Digest
	if err := s.e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if copies, err = t.Copies(f.ID); err != nil {
			return err
		}
		vs, err := t.Versions(f.ID)
		for _, v := range vs {
			if v.N == version {
				want = cmp.Or(v.BLAKE3, v.SHA256, v.MD5)
			}
		}
		return err
	}); err != nil || want.IsZero() {
		return nil, err // what has no digest proves nothing
	}
	for _, c := range copies {
		if c.Carrier != 0 || c.Held != version || !policy.HoldsVersion(c.State) && c.State != fixity.Behind {
			continue
		}
		rule, ok := s.e.Rules.Store(c.Store)
		if !ok {
			continue
		}
		snd, read, err := s.soundOf(ctx, c, rule.Kind, want)
		if context.Cause(ctx) != nil {
			return nil, context.Cause(ctx)
		}
		if err == nil && snd != nil {
			s.copies[f.ID], s.read[f.ID] = c, read
			return snd, nil
		}
		if err != nil && !slices.Contains(s.Bring, c.Store) {
			s.Bring = append(s.Bring, c.Store)
		}
	}
	return nil, nil
}

// errNotHere: a copy that can't be read beside a disc.
var errNotHere = errors.New("not within reach")

func (s *sources) soundOf(ctx context.Context, c ledger.Copy, kind string, want fixity.Digest) (*DiscSound, *digested, error) {
	if kind != "disk" {
		return nil, nil, errNotHere
	}
	at := c.At
	if c.State == fixity.Misplaced {
		return nil, nil, errNotHere
	}
	root, err := s.e.Root(c.Store, c.Set, fixity.Allowed) // what is compared is the disc
	if err != nil {
		return nil, nil, err
	}
	x, err := root.Stat(ctx, at)
	if err != nil {
		return nil, nil, err
	}
	file := &copyReader{ctx: ctx, root: root, entry: x}
	s.open = append(s.open, file)
	r, err := newDigested(file, x.Size, want)
	if err != nil {
		return nil, nil, err
	}
	snd, notes, err := essence.Inspect(r, x.Size)
	if err != nil {
		return nil, nil, err
	}
	if snd.Format == sound.FLAC {
		d, err := s.decoded(r, x.Size)
		return d, r, err
	}
	if sound.Judge(notes) == sound.Broken || snd.Codec != sound.PCM || snd.BytesPerFrame == 0 || snd.Bits < 16 || snd.Channels == 0 {
		return nil, nil, nil // another form of it may do
	}
	bits := 8 * snd.BytesPerSample
	var pcm io.ReaderAt = io.NewSectionReader(r, snd.DataOffset, snd.Frames*int64(snd.BytesPerFrame))
	switch snd.Format {
	case sound.AIFC: // which byte of its samples comes first isn't known here
		return nil, nil, nil
	case sound.AIFF:
		pcm = swapped{pcm, snd.BytesPerSample}
	}
	return &DiscSound{PCM: pcm, Samples: snd.Frames, Rate: int(snd.Rate), Channels: snd.Channels, Bits: bits}, r, nil
}

// decoded unpacks a FLAC into a temporary file, which is gone when it is closed.
func (s *sources) decoded(r io.ReaderAt, size int64) (*DiscSound, error) {
	tmp, err := NewScratch(s.e.discFolder(), "sound-*")
	if err != nil {
		return nil, err
	}
	s.open = append(s.open, tmp)
	snd, notes, err := essence.Decode(io.NewSectionReader(r, 0, size), size, tmp)
	if err != nil {
		return nil, err
	}
	if sound.Judge(notes) == sound.Broken || snd.Samples.IsZero() || snd.Bits < 16 {
		return nil, nil
	}
	return &DiscSound{PCM: tmp, Samples: snd.Frames, Rate: int(snd.Rate), Channels: snd.Channels, Bits: (snd.Bits + 7) / 8 * 8}, nil
}

// stillRight says whether the copy of a file that a disc was compared with is the version
// that it was taken for: a rotten source neither blames a disc nor clears it. It reads
// what the comparison didn't.
func (s *sources) stillRight(ctx context.Context, file int64) (bool, error) {
	r, ok := s.read[file]
	if !ok {
		return true, nil
	}
	delete(s.read, file)
	return r.right(ctx)
}

// copyReader gives a copy's bytes at any place. It keeps the reader of the last place
// open: what is read in order is opened once.
type copyReader struct {
	ctx   context.Context
	root  Root
	entry fixity.Entry
	mu    sync.Mutex
	r     fixity.Reader
	at    int64
}

func (c *copyReader) ReadAt(p []byte, off int64) (int, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if off >= c.entry.Size {
		return 0, io.EOF
	}
	if c.r == nil || c.at != off {
		if c.r != nil {
			c.r.Close()
			c.r = nil
		}
		r, err := c.root.Open(c.ctx, c.entry, off)
		if err != nil {
			return 0, err
		}
		c.r, c.at = r, off
	}
	n, err := io.ReadFull(c.r, p[:min(int64(len(p)), c.entry.Size-off)])
	c.at += int64(n)
	if err == nil && n < len(p) {
		err = io.EOF
	}
	return n, err
}

func (c *copyReader) Close() error {
	c.mu.Lock()
	defer c.mu.Unlock()
	if c.r == nil {
		return nil
	}
	err := c.r.Close()
	c.r = nil
	return err
}

// swapped turns samples that have their high byte first round.
type swapped struct {
	io.ReaderAt
	bytes int // of a sample
}

func (s swapped) ReadAt(p []byte, off int64) (int, error) {
	n := int64(s.bytes)
	lo, hi := off/n*n, (off+int64(len(p))+n-1)/n*n
	b := make([]byte, hi-lo)
	got, err := s.ReaderAt.ReadAt(b, lo)
	whole := b[:int64(got)/n*n]
	for i := 0; i < len(whole); i += s.bytes {
		slices.Reverse(whole[i : i+s.bytes])
	}
	if skip := off - lo; int64(len(whole)) > skip {
		m := copy(p, whole[skip:])
		if m == len(p) {
			return m, nil
		}
		return m, err
	}
	return 0, err
}

// discFolder is where what belongs to a check that goes on is kept.
func (e *Env) discFolder() string { return filepath.Join(e.Ledger.State(), "discs") }
