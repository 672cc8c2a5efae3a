package optical

import (
	"bytes"
	"context"
	"fmt"

	"firmus/replicas/optical/sector"
)

// proof is what a disc is recognised by at the end of a check: a few sectors, beside
// what the medium itself can tell.
type proof struct {
	samples []sample
}

type sample struct {
	area Area
	lba  int64
	data []byte // of data one sector, of sound three
}

// prove reads the sectors. Those that can't be read are left out.
func (d *Disc) prove(ctx context.Context) (proof, error) {
	if err := d.same(ctx); err != nil {
		return proof{}, err
	}
	var p proof
	for _, a := range d.contents.Areas() {
		// The beginning of a file system, and three places of the whole.
		at := []int64{a.LBA + 16, a.LBA + a.Count/4, a.LBA + a.Count/2, a.LBA + a.Count/4*3}
		if len(p.samples) > 8 {
			at = at[:1]
		}
		if len(p.samples) > 16 {
			break
		}
		for _, lba := range at {
			if lba+3 > a.LBA+a.Count {
				continue
			}
			b, err := d.sample(ctx, a, lba)
			if err != nil {
				if leave(ctx, err) {
					return p, err
				}
				continue
			}
			p.samples = append(p.samples, sample{a, lba, b})
		}
	}
	return p, nil
}

func (d *Disc) same(ctx context.Context) error {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.medium.same(ctx)
}

func (d *Disc) sample(ctx context.Context, a Area, lba int64) ([]byte, error) {
	d.mu.Lock()
	defer d.mu.Unlock()
	n, size := 1, sector.Data
	if a.Audio {
		n, size = 3, sector.Raw
	}
	b := make([]byte, n*size)
	return b, d.medium.read(ctx, lba, n, a.Audio, b, nil)
}

// unchanged gives ErrSwapped unless the disc is the one that p was made of. A sector
// that can't be read any more is no sign of another disc.
func (d *Disc) unchanged(ctx context.Context, p proof) error {
	if err := d.same(ctx); err != nil {
		return err
	}
	for _, s := range p.samples {
		b, err := d.sample(ctx, s.area, s.lba)
		if err != nil {
			if leave(ctx, err) {
				return err
			}
			continue
		}
		if s.area.Audio {
			if !heard(s.data, b) {
				return fmt.Errorf("%w: the sound at sector %d is another", ErrSwapped, s.lba)
			}
		} else if !bytes.Equal(s.data, b) {
			return fmt.Errorf("%w: sector %d holds something else", ErrSwapped, s.lba)
		}
	}
	return nil
}

// heard looks for some samples of the middle of one reading in another one: drives
// shift sound by up to a sector from reading to reading. Any of them will do, since
// a damaged sector may come otherwise each time; silence says nothing.
func heard(before, after []byte) bool {
	const window = 64 * 4
	said := false
	for at := sector.Raw; at+window <= 2*sector.Raw; at += window {
		w := before[at : at+window]
		if bytes.Equal(w[4:], w[:window-4]) {
			continue
		}
		if bytes.Contains(after, w) {
			return true
		}
		said = true
	}
	return !said
}
