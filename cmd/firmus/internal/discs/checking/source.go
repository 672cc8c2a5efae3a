package checking

import (
	"cmp"
	"context"
	"errors"
	"io"
	"slices"
	"sync"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/essence"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/replicas/optical/cdda"
)

// sources are the copies that audio discs are compared with, opened for one check.
type sources struct {
	e      Desk
	open   []io.Closer
	copies map[int64]ledger.Copy // by file: the copy that is used
	read   map[int64]*digested   // by file: what is read of that copy
	Bring  []discs.Bring         // stores that hold what none within reach does

	spoiled []spoiled // copies that turned out to be something else
}

// spoiled is a copy that isn't taken as a source.
type spoiled struct {
	file  int64
	store string
}

func newSources(e Desk) *sources {
	return &sources{e: e, copies: map[int64]ledger.Copy{}, read: map[int64]*digested{}}
}

func (s *sources) Close() {
	for _, c := range s.open {
		c.Close()
	}
}

// holding gives the copies of the version of a file that was burned which should be
// intact, and its digest; a zero one proves nothing.
func (s *sources) holding(ctx context.Context, f ledger.File, version int64) (of []ledger.Copy, want fixity.Digest, err error) {
	err = s.e.Ledger.View(ctx, func(t *ledger.Tx) error {
		copies, err := t.Copies.Of(f.ID)
		if err != nil {
			return err
		}
		for _, c := range copies {
			if c.Carrier == 0 && s.e.Rules.IsOf(c, version) && care.HoldsVersion(c.State) {
				of = append(of, c)
			}
		}
		vs, err := t.Files.Versions(f.ID)
		for _, v := range vs {
			if v.N == version {
				want = cmp.Or(v.BLAKE3, v.SHA256, v.MD5)
			}
		}
		return err
	})
	return of, want, err
}

// bytes gives the bytes of a copy that should be intact and can be read now; nil if there
// is none. It is for telling what differs, and proves nothing.
func (s *sources) bytes(ctx context.Context, f ledger.File, version int64) (io.ReaderAt, error) {
	copies, _, err := s.holding(ctx, f, version)
	if err != nil {
		return nil, err
	}
	for _, c := range copies {
		if rule, ok := s.e.Rules.Store(c.Store); !ok || rule.Kind != "disk" {
			continue
		}
		file, err := s.opened(ctx, c)
		if context.Cause(ctx) != nil {
			return nil, context.Cause(ctx)
		}
		if err == nil {
			return file, nil
		}
	}
	return nil, nil
}

// opened is a copy on a drive, as long as the check goes on.
func (s *sources) opened(ctx context.Context, c ledger.Copy) (*copyReader, error) {
	if c.State == fixity.Misplaced {
		return nil, errNotHere
	}
	root, err := s.e.Look(c.Store, c.Set, fixity.Allowed) // what is compared is the disc
	if err != nil {
		return nil, err
	}
	x, err := root.Stat(ctx, c.At)
	if err != nil {
		return nil, err
	}
	file := &copyReader{ctx: ctx, root: root, entry: x}
	s.open = append(s.open, file)
	return file, nil
}

// sound finds the samples of the version of a file that was burned, in a copy that is
// intact as far as is known and can be read now; nil if there is none. A FLAC is decoded
// into a temporary file first.
func (s *sources) sound(ctx context.Context, f ledger.File, version int64) (*cdda.Source, error) {
	copies, want, err := s.holding(ctx, f, version)
	if err != nil || want.IsZero() {
		return nil, err // what has no digest proves nothing
	}
	delete(s.copies, f.ID)
	for _, c := range copies {
		if slices.Contains(s.spoiled, spoiled{f.ID, c.Store}) {
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
		if b := (discs.Bring{Store: c.Store, Cloud: rule.Kind == "cloud"}); err != nil && !slices.Contains(s.Bring, b) {
			s.Bring = append(s.Bring, b)
		}
	}
	return nil, nil
}

// errNotHere: a copy that can't be read beside a disc.
var errNotHere = errors.New("not within reach")

func (s *sources) soundOf(ctx context.Context, c ledger.Copy, kind string, want fixity.Digest) (*cdda.Source, *digested, error) {
	if kind != "disk" {
		return nil, nil, errNotHere
	}
	file, err := s.opened(ctx, c)
	if err != nil {
		return nil, nil, err
	}
	x := file.entry
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
	return source(pcm, snd, bits), r, nil
}

// source is sound as it is compared, with so many bits a sample.
func source(pcm io.ReaderAt, s sound.Sound, bits int) *cdda.Source {
	return &cdda.Source{PCM: pcm, Samples: s.Frames, Format: cdda.Format{Rate: int(s.Rate), Channels: s.Channels, Bits: bits}}
}

// decoded unpacks a FLAC into a temporary file, which is gone when it is closed.
func (s *sources) decoded(r io.ReaderAt, size int64) (*cdda.Source, error) {
	tmp, err := discs.NewScratch(s.e.folder(), "sound-*")
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
	return source(tmp, snd, (snd.Bits+7)/8*8), nil
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
	root  audit.Store
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
