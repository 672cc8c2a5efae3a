package checking

import (
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"slices"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
)

// Named implements archive.Carriers.
func (e Desk) Named(ctx context.Context, typed string) (string, map[int64]int64, error) {
	d, err := e.named(ctx, typed)
	if err != nil {
		return "", nil, err
	}
	holds := map[int64]int64{}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.Discs.FilesOn(d.ID)
		for _, f := range fs {
			holds[f.File] = f.Version
		}
		return err
	})
	return d.Name(), holds, err
}

// named is the one disc that a person means.
func (e Desk) named(ctx context.Context, typed string) (ledger.Disc, error) {
	all, err := e.All(ctx)
	if err != nil {
		return ledger.Disc{}, err
	}
	d, err := discs.Find(typed, all)
	if r, bad := discs.Parse(typed, all); err != nil && bad == nil && len(r.Fits(all)) == 0 {
		err = fmt.Errorf("%w: %w", fixity.ErrNotFound, err)
	}
	return d, err
}

// Gather implements archive.Carriers. A disc whose contents are surely another one's is
// refused.
func (e Desk) Gather(ctx context.Context, c archive.Carrier, files []int64, into func(file int64) (io.WriterAt, error)) ([]archive.Gathered, error) {
	mine, err := e.named(ctx, c.Name)
	if err != nil {
		return nil, err
	}
	_, d, free, err := e.take(ctx, Order{Number: c.Name, At: discs.At{Drive: c.Drive, Image: c.Image}})
	if err != nil {
		return nil, err
	}
	defer free()
	about := d.Contents()
	unlock, err := e.Lock(ctx, "disc-"+about.ID()[:16])
	var locked *ledger.LockedError
	if errors.As(err, &locked) {
		return nil, fmt.Errorf("this disc, or its twin, is %w: %s is checking it", fixity.ErrBusy, locked.Holder)
	}
	if err != nil {
		return nil, err
	}
	defer unlock()
	if err := e.refuseOther(ctx, d, mine, about); err != nil {
		return nil, err
	}
	out := make([]archive.Gathered, len(files))
	var sought []burned.Sought
	var of []int // indices of files
	for i, f := range files {
		s, why, err := e.sought(ctx, mine, f)
		if err != nil {
			return nil, err
		}
		if out[i] = (archive.Gathered{Why: why, Lacks: []fixity.Range{{Offset: 0, Length: s.Size}}}); why == "" {
			sought, of = append(sought, s), append(of, i)
		}
	}
	if len(sought) == 0 {
		return out, nil
	}
	opts := burned.Options{Now: e.Now}
	if c.Progress != nil {
		opts.Progress = func(p optical.Progress) {
			k := p.Counts
			c.Progress(k.Sectors-k.Untried-k.Failed, k.Sectors)
		}
	}
	to := make([]io.WriterAt, len(sought))
	got, err := d.Gather(ctx, sought, opts, func(i int) (w io.WriterAt, err error) {
		to[i], err = into(files[of[i]])
		return to[i], err
	})
	if err != nil {
		return nil, err
	}
	for k, g := range got {
		x := &out[of[k]]
		if x.Found, x.Lacks = g.Found, g.Lacks; !g.Found {
			x.Why = fmt.Sprintf("%s doesn't hold it, or not as it was burned", mine.Name())
			continue
		}
		// No disc of sound holds a file's header. Most have just this one.
		if s := sought[k]; s.Audio && s.SamplesAt == plainHeader && len(x.Lacks) > 0 && x.Lacks[0].Offset == 0 && x.Lacks[0].Length >= plainHeader && !s.HighFirst {
			if _, err := to[k].WriteAt(headerOf(s.Size, s.SamplesLength), 0); err != nil {
				return nil, err
			}
			if x.Lacks[0].Offset, x.Lacks[0].Length = plainHeader, x.Lacks[0].Length-plainHeader; x.Lacks[0].Length == 0 {
				x.Lacks = x.Lacks[1:]
			}
		}
		if x.Unread = unread(sought[k], x.Lacks); x.Unread > 0 {
			if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Discs.Doubt(mine.ID, files[of[k]]) }); err != nil {
				return nil, err
			}
		}
	}
	return out, nil
}

// unread is how many of the bytes that a disc should hold of a file it didn't give: a disc
// of sound holds none but the samples.
func unread(s burned.Sought, lacks []fixity.Range) (n int64) {
	from, to := int64(0), s.Size
	if s.Audio {
		from, to = s.SamplesAt, s.SamplesAt+s.SamplesLength
	}
	for _, r := range lacks {
		n += max(0, min(to, r.Offset+r.Length)-max(from, r.Offset))
	}
	return n
}

// refuseOther refuses a disc whose contents show that it is another than the one named.
func (e Desk) refuseOther(ctx context.Context, d discs.Opened, mine ledger.Disc, about optical.Contents) error {
	if !discs.KindFits(mine.Kind, about.Kind) {
		return fmt.Errorf("%s is registered as %s disc, and this is another one (%s): %w", mine.Name(), mine.Kind, about.Kind, fixity.ErrRefused)
	}
	if mine.Kind == ledger.AudioDisc && mine.TOC == about.ID() {
		return nil
	}
	src := newSources(e)
	defer src.Close()
	found, sure, err := e.identify(ctx, d, about, src)
	if err != nil || !sure || slices.ContainsFunc(found, func(f ledger.Disc) bool { return f.ID == mine.ID }) {
		return err
	}
	return fmt.Errorf("its contents are those of %s, not of %s: name the one that is in the drive: %w", discs.Names(found), mine.Name(), fixity.ErrRefused)
}

// sought is a file as it is looked for on a disc; why is why it isn't.
func (e Desk) sought(ctx context.Context, d ledger.Disc, file int64) (s burned.Sought, why string, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.Discs.FilesOn(d.ID)
		if err != nil {
			return err
		}
		f, err := t.Files.Get(file)
		if err != nil {
			return err
		}
		v, err := t.Files.Version(file, f.Version)
		if err != nil {
			return err
		}
		s.Size = v.Size
		i := slices.IndexFunc(fs, func(x ledger.DiscFile) bool { return x.File == file && x.Version == f.Version })
		if i < 0 {
			why = fmt.Sprintf("%s doesn't hold this version of it", d.Name())
			return nil
		}
		s.Name = fs[i].Name
		if s.Blocks, err = t.Files.Blocks(file, f.Version); err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return err
		}
		if d.Kind != ledger.AudioDisc {
			return nil
		}
		known, err := t.Files.Sound(file, f.Version)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return err
		}
		x, ok := hearing.Recorded(known)
		if !ok || x.Codec != sound.PCM || x.Bits != 16 || x.BytesPerFrame != cdda.SampleBytes || x.Channels != 2 || x.Rate != cdda.Rate || x.Format == sound.AIFC || x.Format == sound.FLAC {
			why = "an audio disc gives back only files of 16 bits, stereo, at 44.1 kHz, not compressed"
			return nil
		}
		s.Audio, s.SamplesAt, s.HighFirst = true, x.DataOffset, x.Format == sound.AIFF
		s.SamplesLength = min(x.DataLength, v.Size-x.DataOffset) / cdda.SampleBytes * cdda.SampleBytes
		return nil
	})
	return s, why, err
}

// plainHeader is how long the header of a WAVE file is that holds its format and its
// samples, and nothing else (IBM and Microsoft, Multimedia Programming Interface 1.0, 1991).
const plainHeader = 44

func headerOf(size, samples int64) []byte {
	b := append([]byte("RIFF"), binary.LittleEndian.AppendUint32(nil, uint32(size-8))...)
	b = append(b, "WAVEfmt "...)
	for _, x := range []struct {
		n    uint32
		long bool
	}{{16, true}, {1, false}, {2, false}, {cdda.Rate, true}, {cdda.Rate * cdda.SampleBytes, true}, {cdda.SampleBytes, false}, {16, false}} {
		if x.long {
			b = binary.LittleEndian.AppendUint32(b, x.n)
		} else {
			b = binary.LittleEndian.AppendUint16(b, uint16(x.n))
		}
	}
	return binary.LittleEndian.AppendUint32(append(b, "data"...), uint32(samples))
}
