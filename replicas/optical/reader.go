package optical

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/sector"
)

// Reader gives the sectors of a disc as bytes: sector k of data at 2048*k, of sound
// at 2352*k. It reads in batches and keeps the last one. A sector that can't be read
// is tried twice, at the speed that the drive has; the error then names it and
// matches fixity.ErrUnreadable, and the bytes before it have been given. No map is
// kept: that is Check's.
type Reader struct {
	read  func(lba int64, count int, b []byte) error
	size  int64 // of a sector
	end   int64 // sectors
	batch int

	mu      sync.Mutex
	first   int64 // of the sectors in kept
	kept    []byte
	careful int64 // up to there sectors are read one by one: a batch failed
}

var _ io.ReaderAt = (*Reader)(nil)

// Data reads sectors of data.
func (d *Disc) Data(ctx context.Context) *Reader {
	return d.reader(ctx, false)
}

// Audio reads sectors of sound: samples of 16 bits, the low byte first, left and
// right in turn.
func (d *Disc) Audio(ctx context.Context) *Reader {
	return d.reader(ctx, true)
}

func (d *Disc) reader(ctx context.Context, audio bool) *Reader {
	r := &Reader{size: sector.Data, batch: mmc.MaxData}
	if audio {
		r.size, r.batch = sector.Raw, mmc.MaxAudio
	}
	for _, t := range d.contents.Tracks {
		if t.Data != audio {
			r.end = t.LBA + t.Sectors
		}
	}
	r.read = func(lba int64, count int, b []byte) error {
		d.mu.Lock()
		defer d.mu.Unlock()
		return d.medium.read(ctx, lba, count, audio, b, nil)
	}
	return r
}

// Size is where the last sector ends, in bytes.
func (r *Reader) Size() int64 { return r.end * r.size }

// ReadAt implements io.ReaderAt.
func (r *Reader) ReadAt(p []byte, off int64) (int, error) {
	if off < 0 {
		return 0, fmt.Errorf("read disc at %d: %w", off, errors.ErrUnsupported)
	}
	r.mu.Lock()
	defer r.mu.Unlock()
	n := 0
	for n < len(p) {
		lba := (off + int64(n)) / r.size
		if lba >= r.end {
			return n, io.EOF
		}
		if lba < r.first || lba >= r.first+int64(len(r.kept))/r.size {
			if err := r.fill(lba, int64(len(p)-n)); err != nil {
				return n, err
			}
		}
		n += copy(p[n:], r.kept[off+int64(n)-r.first*r.size:])
	}
	return n, nil
}

// fill reads from lba on what is wanted: single sectors are mostly a file system's,
// scattered over the disc, so no more than that is read.
func (r *Reader) fill(lba, want int64) error {
	count := min((want+r.size-1)/r.size+1, int64(r.batch), r.end-lba)
	if lba < r.careful {
		count = 1
	}
	b := r.kept[:0]
	if int64(cap(b)) < count*r.size {
		b = make([]byte, count*r.size)
	}
	b = b[:count*r.size]
	r.kept = nil
	err := r.read(lba, int(count), b)
	if err == nil {
		r.first, r.kept = lba, b
		return nil
	}
	tries := 2
	if count == 1 {
		tries = 1 // one was made
	}
	r.careful = max(r.careful, lba+count)
	for range tries {
		if gone(err) {
			break
		}
		if err = r.read(lba, 1, b[:r.size]); err == nil {
			r.first, r.kept = lba, b[:r.size]
			return nil
		}
	}
	return fmt.Errorf("read disc at sector %d: %w", lba, err)
}
