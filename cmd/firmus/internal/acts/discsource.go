package acts

import (
	"context"
	"errors"
	"io"
	"path/filepath"
	"slices"
	"sync"

	"firmus/fixity"
	"firmus/fixity/digest"
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
	Bring  []string              // stores that hold what none within reach does
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
	if err := s.e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { copies, err = t.Copies(f.ID); return err }); err != nil {
		return nil, err
	}
	for _, c := range copies {
		if c.Carrier != 0 || c.Held != version || !policy.HoldsVersion(c.State) && c.State != fixity.Behind {
			continue
		}
		rule, ok := s.e.Rules.Store(c.Store)
		if !ok {
			continue
		}
		snd, err := s.soundOf(ctx, c, rule.Kind)
		if context.Cause(ctx) != nil {
			return nil, context.Cause(ctx)
		}
		if err == nil && snd != nil {
			s.copies[f.ID] = c
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

func (s *sources) soundOf(ctx context.Context, c ledger.Copy, kind string) (*DiscSound, error) {
	if kind != "disk" {
		return nil, errNotHere
	}
	at := c.At
	if c.State == fixity.Misplaced {
		return nil, errNotHere
	}
	root, err := s.e.Root(c.Store, c.Set, fixity.Allowed) // what is compared is the disc
	if err != nil {
		return nil, err
	}
	x, err := root.Stat(ctx, at)
	if err != nil {
		return nil, err
	}
	r := &copyReader{ctx: ctx, root: root, entry: x}
	s.open = append(s.open, r)
	snd, notes, err := essence.Inspect(r, x.Size)
	if err != nil {
		return nil, err
	}
	if snd.Format == sound.FLAC {
		return s.decoded(ctx, root, x)
	}
	if sound.Judge(notes) == sound.Broken || snd.Codec != sound.PCM || snd.BytesPerFrame == 0 || snd.Bits < 16 || snd.Channels == 0 {
		return nil, nil // another form of it may do
	}
	bits := 8 * snd.BytesPerSample
	var pcm io.ReaderAt = io.NewSectionReader(r, snd.DataOffset, snd.Frames*int64(snd.BytesPerFrame))
	switch snd.Format {
	case sound.AIFC: // which byte of its samples comes first isn't known here
		return nil, nil
	case sound.AIFF:
		pcm = swapped{pcm, snd.BytesPerSample}
	}
	return &DiscSound{PCM: pcm, Samples: snd.Frames, Rate: int(snd.Rate), Channels: snd.Channels, Bits: bits}, nil
}

// decoded unpacks a FLAC into a temporary file, which is gone when it is closed.
func (s *sources) decoded(ctx context.Context, root Root, x fixity.Entry) (*DiscSound, error) {
	tmp, err := NewScratch(s.e.discFolder(), "sound-*")
	if err != nil {
		return nil, err
	}
	s.open = append(s.open, tmp)
	r, err := root.Open(ctx, x, 0)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	snd, notes, err := essence.Decode(r, x.Size, tmp)
	if err != nil {
		return nil, err
	}
	if sound.Judge(notes) == sound.Broken || snd.Samples.IsZero() || snd.Bits < 16 {
		return nil, nil
	}
	return &DiscSound{PCM: tmp, Samples: snd.Frames, Rate: int(snd.Rate), Channels: snd.Channels, Bits: (snd.Bits + 7) / 8 * 8}, nil
}

// stillRight reads the copy of a file that a disc was compared with, and says whether it
// is the version that it was taken for: a disc isn't blamed for a source that rotted.
func (s *sources) stillRight(ctx context.Context, file, version int64) (bool, error) {
	c, ok := s.copies[file]
	if !ok {
		return true, nil
	}
	var want fixity.Digest
	if err := s.e.Ledger.View(ctx, func(t *ledger.Tx) error {
		vs, err := t.Versions(file)
		for _, v := range vs {
			if v.N == version {
				want = v.BLAKE3
			}
		}
		return err
	}); err != nil {
		return false, err
	}
	r, err := s.e.openCopy(ctx, c)
	if err != nil {
		return false, err
	}
	defer r.Close()
	sums, err := digest.Read(ctx, r, fixity.BLAKE3)
	if err != nil {
		return false, err
	}
	got, _ := sums.Get(fixity.BLAKE3)
	return got == want, nil
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
