package optical

import (
	"context"
	"errors"
	"fmt"
	"hash/crc32"
	"math/bits"
	"slices"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

// Sound has no error detection of its own that a drive passes on: it fills what it
// can't correct with what seems likely, and says so in error flags, if it has them.
// A sector without flags, where they are believed, counts as read.

var errDoubtful = errors.New("the drive doubts what it reads")

var castagnoli = crc32.MakeTable(crc32.Castagnoli)

// takeAudio takes over a row of sound. What the buffer holds is lost when a sector of
// it is tried again, so the good ones are written first.
func (c *checker) takeAudio(ctx context.Context, a Area, r Range, tries int) error {
	if err := c.write(a, r.LBA, c.buf[:r.Count*sector.Raw]); err != nil {
		return err
	}
	var doubtful []int64
	for i := range r.Count {
		lba := r.LBA + i
		if c.sums != nil {
			c.sums[lba] = crc32.Checksum(c.buf[i*sector.Raw:(i+1)*sector.Raw], castagnoli)
		}
		if c.flagged(i) > 0 {
			doubtful = append(doubtful, lba)
			c.m.set(lba, Doubtful, tries, scsi.Sense{})
			continue
		}
		c.m.set(lba, Read, tries, scsi.Sense{})
	}
	for _, lba := range doubtful {
		if _, err := c.singleAudio(ctx, a, lba, tries, TriesAtCap); err != nil {
			return err
		}
	}
	return nil
}

// flagged counts the bytes of sector i in the buffer that the drive doubts.
func (c *checker) flagged(i int64) int {
	if !c.res.C2 {
		return 0
	}
	n := 0
	for _, x := range c.flags[i*mmc.C2Bytes : (i+1)*mmc.C2Bytes] {
		n += bits.OnesCount8(x)
	}
	return n
}

// singleAudio is single for sound: a sector is read when it came without flags. The
// reading with the fewest is kept. seen are the sums of readings that came otherwise.
// Between readings the drive is sent elsewhere, or
// it would give the same bytes from its memory.
func (c *checker) singleAudio(ctx context.Context, a Area, lba int64, tries, most int, seen ...uint32) (bool, error) {
	best := -1 // flags of what was written in this call
	if c.sums != nil && c.m.at(lba).state() == Doubtful {
		seen = append(seen, c.sums[lba])
	}
	for tries < most {
		if tries > 0 {
			if err := c.away(ctx, a, lba); err != nil {
				return false, err
			}
		}
		tries++
		sense, err := c.read(ctx, a, Range{lba, 1})
		if err != nil {
			end := c.failed(ctx, err)
			if end == nil || errors.Is(end, ErrStalled) { // else it was no try
				state := Failed
				if c.m.at(lba).state() == Doubtful {
					state = Doubtful // what an earlier reading gave stays
				}
				c.m.set(lba, state, tries, sense)
			}
			if end != nil {
				return false, end
			}
			continue
		}
		b := c.buf[:sector.Raw]
		n := c.flagged(0)
		good := n == 0
		if c.sums != nil {
			// Read twice: it is right when two readings agree. That of a first reading
			// comes in the second pass.
			sum := crc32.Checksum(b, castagnoli)
			good = good && (tries == 1 || slices.Contains(seen, sum))
			seen = append(seen, sum)
			c.sums[lba] = sum
		}
		if good || best < 0 || n < best {
			if err := c.write(a, lba, b); err != nil {
				return false, err
			}
			best = n
		}
		if good {
			c.progress = c.o.Now()
			state := Read
			if c.sums != nil && tries > 1 {
				state = ReadTwice
			}
			c.m.set(lba, state, tries, scsi.Sense{})
			return true, nil
		}
		c.m.set(lba, Doubtful, tries, scsi.Sense{})
		if err := c.stalled(errDoubtful); err != nil {
			return false, err
		}
	}
	return c.m.at(lba).state() == Doubtful, nil
}

// away makes the drive read another place of the area, a minute of sound off. That it
// can't be read there doesn't matter.
func (c *checker) away(ctx context.Context, a Area, lba int64) error {
	const far = 60 * sector.PerSecond
	at := lba + far
	if at >= a.LBA+a.Count {
		at = max(a.LBA, lba-far)
	}
	if c.d.drive == nil || at == lba {
		return nil
	}
	_, err := c.read(ctx, a, Range{at, 1})
	if err != nil && (gone(err) || ctx.Err() != nil) {
		return c.failed(ctx, err)
	}
	return nil
}

// second reads all sound that was read once for the second time, long enough after
// the first that no drive still has it in memory, and compares.
func (c *checker) second(ctx context.Context, areas []Area) error {
	once := func(v cell) bool { return v.state() == Read && v.tries() == 1 }
	// After an earlier check only its end is known: those are read anew.
	if c.o.Map != nil {
		for _, a := range areas {
			if err := c.refresh(ctx, a, once); err != nil {
				return err
			}
		}
	}
	var done, differing int64
	for _, a := range areas {
		if !a.Audio {
			continue
		}
		for lba := a.LBA; ; {
			r, ok := c.todo(a, lba, c.most(a), once)
			if !ok {
				break
			}
			lba = r.LBA + r.Count
			n, err := c.compare(ctx, a, r, differing > 1000 && differing > done/10)
			if err != nil {
				return err
			}
			done, differing = done+r.Count, differing+n
			c.tell(Second, lba)
		}
	}
	if differing > 1000 && differing > done/10 {
		c.res.Problems = append(c.res.Problems, fmt.Errorf("%w: %d of %d sectors came otherwise", ErrUnsteady, differing, done))
	}
	return nil
}

// refresh reads sectors whose first reading another check made, so that there is
// something to compare with.
func (c *checker) refresh(ctx context.Context, a Area, once func(cell) bool) error {
	if !a.Audio {
		return nil
	}
	unknown := func(lba int64) bool { return c.sums[lba] == 0 }
	for lba := a.LBA; ; {
		r, ok := c.todo(a, lba, c.most(a), once)
		if !ok {
			return nil
		}
		lba = r.LBA + r.Count
		if !unknown(r.LBA) && !unknown(lba-1) {
			continue
		}
		if _, err := c.read(ctx, a, r); err != nil {
			if err := c.failed(ctx, err); err != nil {
				return err
			}
			continue // compare will try each by itself
		}
		c.progress = c.o.Now()
		for i := range r.Count {
			c.sums[r.LBA+i] = crc32.Checksum(c.buf[i*sector.Raw:(i+1)*sector.Raw], castagnoli)
		}
		c.tell(Second, lba)
	}
}

// compare reads a row again. Sectors that come otherwise are tried until two readings
// agree; if hopeless, they only become doubtful.
func (c *checker) compare(ctx context.Context, a Area, r Range, hopeless bool) (differing int64, err error) {
	if _, err := c.read(ctx, a, r); err != nil {
		if err := c.failed(ctx, err); err != nil {
			return 0, err
		}
		for i := r.LBA; i < r.LBA+r.Count; i++ {
			c.m.set(i, Doubtful, 1, scsi.Sense{})
			if _, err := c.singleAudio(ctx, a, i, 1, TriesAtCap); err != nil {
				return differing, err
			}
			if c.m.at(i).state() != ReadTwice {
				differing++
			}
		}
		return differing, nil
	}
	c.progress = c.o.Now()
	var retry []int64
	var first []uint32
	for i := range r.Count {
		lba := r.LBA + i
		sum := crc32.Checksum(c.buf[i*sector.Raw:(i+1)*sector.Raw], castagnoli)
		switch {
		case sum == c.sums[lba] && c.flagged(i) == 0:
			c.m.set(lba, ReadTwice, 2, scsi.Sense{})
		case hopeless:
			c.m.set(lba, Doubtful, c.total(a), scsi.Sense{})
			differing++
		default:
			c.m.set(lba, Doubtful, TriesAtCap, scsi.Sense{})
			differing++
			retry, first = append(retry, lba), append(first, c.sums[lba])
			c.sums[lba] = sum
		}
	}
	// One more at the cap: with three readings two may agree. The others come at the
	// lowest speed.
	if len(retry) > int(r.Count)/2 && r.Count > 2 {
		return differing, nil // the whole row is shifted: the slow tries will show
	}
	for i, lba := range retry {
		if _, err := c.singleAudio(ctx, a, lba, TriesAtCap, TriesAtCap+1, first[i]); err != nil {
			return differing, err
		}
	}
	return differing, nil
}
