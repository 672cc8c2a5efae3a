package burned

import (
	"context"
	"errors"
	"fmt"
	"io"
	"iter"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
)

// sectors are what was read of a disc: from the spool what is in it, the rest from
// the disc once more, and none that a map says can't be read.
type sectors struct {
	spool Spool // nil: none
	disc  [2]io.ReaderAt
	parts [2]part
	kept  bits    // sectors that are in the spool
	bad   bits    // not read, by the map or since
	in    [2]bits // sectors that a check reads
	known bool    // bad is the map's
	only  bool    // nothing is read from the disc any more
	// direct: sectors are read from the disc although they are in the spool.
	direct bool
	lost   int // sectors that could be read in the check and can't be again
	// gone is why the disc can't be read any more: readers of trees take it for one bad
	// sector of a directory.
	gone error
	full error // why the spool took no more
	d    *optical.Disc
	ctx  context.Context // of the check
}

// part is the sectors of one kind, and where they lie in the spool.
type part struct {
	first, end int64
	at         int64
}

const (
	ofData = iota
	ofSound
)

// kind is the index of a kind of sectors.
func kind(audio bool) int {
	if audio {
		return ofSound
	}
	return ofData
}

var sizes = [2]int64{discfs.SectorSize, cdda.SectorBytes}

// newSectors makes room for a disc's. With an error, which is of the spool, it works
// without one.
func newSectors(ctx context.Context, d *optical.Disc, spool func(int64) (Spool, error)) (*sectors, error) {
	c := d.Contents()
	s := &sectors{
		d: d, ctx: ctx, disc: [2]io.ReaderAt{d.Data(ctx), d.Audio(ctx)},
		kept: newBits(c.LeadOut), bad: newBits(c.LeadOut), in: [2]bits{newBits(c.LeadOut), newBits(c.LeadOut)},
	}
	for _, a := range c.Areas() {
		s.in[kind(a.Audio)].fill(a.LBA, a.LBA+a.Count)
		p := &s.parts[kind(a.Audio)]
		if p.end == 0 {
			p.first = a.LBA
		}
		p.end = a.LBA + a.Count
	}
	s.parts[ofSound].at = s.parts[ofData].bytes(ofData)
	if !d.Drive() || spool == nil {
		return s, nil
	}
	f, err := spool(s.parts[ofSound].at + s.parts[ofSound].bytes(ofSound))
	if err != nil {
		return s, err
	}
	s.spool = f
	return s, nil
}

func (p part) bytes(k int) int64 { return (p.end - p.first) * sizes[k] }

// again makes all be read from the disc, and nothing that this program kept; done ends
// that.
func (s *sectors) again() (done func()) {
	kept := s.disc
	s.disc, s.direct = [2]io.ReaderAt{s.d.Data(s.ctx), s.d.Audio(s.ctx)}, true
	return func() { s.disc, s.direct = kept, false }
}

func (s *sectors) close() {
	if s.spool != nil {
		_ = s.spool.Close() // nothing in it is needed any more
	}
}

// writer takes sectors of one kind into the spool, as long as there is room.
func (s *sectors) writer(audio bool) io.WriterAt { return writer{s, kind(audio)} }

type writer struct {
	s *sectors
	k int
}

func (w writer) WriteAt(b []byte, off int64) (int, error) {
	if w.s.full != nil {
		return len(b), nil
	}
	p, size := w.s.parts[w.k], sizes[w.k]
	n, err := w.s.spool.WriteAt(b, p.at+off-p.first*size)
	for i := off / size; i < (off+int64(len(b)))/size; i++ {
		if i < (off+int64(n))/size {
			w.s.kept.set(i)
		} else {
			w.s.kept.clear(i) // what was there is of an earlier reading
		}
	}
	// The rest is read from the disc a second time.
	w.s.full = err
	return len(b), nil
}

// know takes over which sectors a check couldn't read. only says that the drive is
// not to be asked any more.
func (s *sectors) know(m *optical.Map, only bool) {
	s.known, s.only = true, only && s.spool != nil
	for r := range m.Runs() {
		switch r.State {
		case optical.Untried, optical.Failed, optical.Unreadable:
			s.bad.fill(r.LBA, r.LBA+r.Count)
		}
	}
}

// reader gives the sectors of one kind as bytes, as optical.Reader does. A bad
// sector gives fixity.ErrUnreadable, and the bytes before it have been given.
func (s *sectors) reader(audio bool) io.ReaderAt { return reader{s, kind(audio)} }

type reader struct {
	s *sectors
	k int
}

func (r reader) ReadAt(b []byte, off int64) (int, error) {
	size, p := sizes[r.k], r.s.parts[r.k]
	n := 0
	for n < len(b) {
		at := off + int64(n)
		lba := at / size
		if lba >= p.end {
			return n, io.EOF
		}
		// A row of sectors that lie in the same place.
		inSpool := func(i int64) bool { return !r.s.direct && r.s.kept.has(i) }
		in := r.s.in[r.k]
		kept, bad, inside := inSpool(lba), r.s.bad.has(lba), in.has(lba)
		end := lba + 1
		for end < p.end && end*size < off+int64(len(b)) && inSpool(end) == kept && r.s.bad.has(end) == bad && in.has(end) == inside {
			end++
		}
		q := b[n:min(int64(len(b)), int64(n)+end*size-at)]
		switch {
		case !inside && r.k == ofSound: // between sessions nothing sounds
			clear(q)
			n += len(q)
			continue
		case !inside, bad:
			return n, fmt.Errorf("sector %d: %w", lba, fixity.ErrUnreadable)
		}
		var got int
		var err error
		switch {
		case kept:
			got, err = r.s.spool.ReadAt(q, p.at+at-p.first*size)
		case r.s.only:
			return n, fmt.Errorf("sector %d isn't kept: %w", lba, fixity.ErrUnreadable)
		default:
			got, err = r.s.disc[r.k].ReadAt(q, at)
			if err != nil && err != io.EOF && !broken(err) && !errors.Is(err, fixity.ErrUnreadable) {
				err = fmt.Errorf("%w: %w", fixity.ErrUnreadable, err) // drives say so in many words
			}
		}
		n += got
		if got < len(q) {
			if err == nil {
				err = io.ErrUnexpectedEOF
			}
			if broken(err) && r.s.gone == nil {
				r.s.gone = err
			}
			if !kept && !r.s.direct && errors.Is(err, fixity.ErrUnreadable) && r.s.known {
				r.s.bad.set((off + int64(n)) / size)
				r.s.lost++
			}
			return n, err
		}
	}
	return n, nil
}

// bits are a flag for each sector.
type bits []uint64

func newBits(n int64) bits { return make(bits, (n+63)/64) }

func (b bits) set(i int64) {
	if i >= 0 && i/64 < int64(len(b)) {
		b[i/64] |= 1 << (i % 64)
	}
}

func (b bits) clear(i int64) {
	if i >= 0 && i/64 < int64(len(b)) {
		b[i/64] &^= 1 << (i % 64)
	}
}

// fill sets those from one sector to before another.
func (b bits) fill(from, to int64) {
	for i := from; i < to; i++ {
		b.set(i)
	}
}

func (b bits) any() bool {
	for _, x := range b {
		if x != 0 {
			return true
		}
	}
	return false
}

func (b bits) has(i int64) bool { return i >= 0 && i/64 < int64(len(b)) && b[i/64]>>(i%64)&1 != 0 }

// all gives the flags that are set from one sector to before another.
func (b bits) all(from, to int64) iter.Seq[int64] {
	return func(yield func(int64) bool) {
		for i := max(from, 0); i < to && i/64 < int64(len(b)); i++ {
			if b[i/64] == 0 {
				i |= 63
				continue
			}
			if b.has(i) && !yield(i) {
				return
			}
		}
	}
}
