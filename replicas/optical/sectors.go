package optical

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
)

// read reads a row of sectors into the checker's buffer. The drive is waited for
// while it is busy or becomes ready again.
func (c *checker) read(ctx context.Context, a Area, r Range) (scsi.Sense, error) {
	size := int64(sector.Data)
	var flags []byte
	if a.Audio {
		size = sector.Raw
		if c.res.C2 {
			flags = c.flags[:r.Count*mmc.C2Bytes]
		}
	}
	c.d.mu.Lock()
	defer c.d.mu.Unlock()
	const patience = 3
	for try := 0; ; try++ {
		err := c.d.medium.read(ctx, r.LBA, int(r.Count), a.Audio, c.buf[:r.Count*size], flags)
		if err == nil {
			return scsi.Sense{}, nil
		}
		if try < patience && c.d.drive != nil && (errors.Is(err, mmc.ErrNotReady) || errors.Is(err, fixity.ErrBusy)) {
			if err := c.d.drive.WaitReady(ctx, readyTime); err != nil && !errors.Is(err, mmc.ErrNotReady) && !errors.Is(err, fixity.ErrBusy) {
				return scsi.Sense{}, err
			}
			if err := pause(ctx, time.Second); err != nil {
				return scsi.Sense{}, err
			}
			continue
		}
		return senseOf(err), err
	}
}

func pause(ctx context.Context, d time.Duration) error {
	t := time.NewTimer(d)
	defer t.Stop()
	select {
	case <-ctx.Done():
		return ctx.Err()
	case <-t.C:
		return nil
	}
}

// senseOf is what an error says of a sector.
func senseOf(err error) scsi.Sense {
	var e *scsi.Error
	var f *flawError
	switch {
	case errors.As(err, &e):
		return e.Sense
	case errors.As(err, &f):
		return f.sense()
	}
	return scsi.Sense{}
}

// failed gives the error that ends the check, nil if it was only a sector's.
func (c *checker) failed(ctx context.Context, err error) error {
	if ctx.Err() != nil {
		return ctx.Err()
	}
	var e *scsi.Error
	var f *flawError
	switch {
	case gone(err), errors.Is(err, fixity.ErrDenied), errors.Is(err, scsi.ErrCommand), errors.Is(err, fixity.ErrBusy), errors.Is(err, mmc.ErrNotReady):
		return err
	case errors.As(err, &e), errors.As(err, &f), errors.Is(err, mmc.ErrNotWritten):
	default:
		return err
	}
	if c.d.drive != nil && foreign(senseOf(err)) {
		// The operating system may have been told of another disc in our place.
		if same := c.d.same(ctx); same != nil && leave(ctx, same) {
			return same
		}
	}
	return c.stalled(err)
}

// foreign says that a sector that the table of contents has was refused for where it
// lies or for its kind (SPC-4, annex F: 21h and 64h), as of another disc. Some drives say
// it of a bad sector.
func foreign(s scsi.Sense) bool {
	return s.Key == scsi.IllegalRequest && (s.ASC == 0x21 || s.ASC == 0x64)
}

// stalled gives ErrStalled if no sector was read for too long; why is the last reason.
func (c *checker) stalled(why error) error {
	if c.o.Now().Sub(c.progress) < c.stall {
		return nil
	}
	return fmt.Errorf("%w for %v: last: %w", ErrStalled, c.stall, why)
}

// take takes over a row of sectors that was read well at its only try. Sound with
// error flags is tried again by itself.
func (c *checker) take(ctx context.Context, a Area, r Range, tries int) error {
	c.progress = c.o.Now()
	if !a.Audio {
		for i := r.LBA; i < r.LBA+r.Count; i++ {
			c.m.set(i, Read, tries, scsi.Sense{})
		}
		return c.write(a, r.LBA, c.buf[:r.Count*sector.Data])
	}
	return c.takeAudio(ctx, a, r, tries)
}

// write hands sectors over.
func (c *checker) write(a Area, lba int64, b []byte) error {
	w, size := c.o.Data, int64(sector.Data)
	if a.Audio {
		w, size = c.o.Audio, sector.Raw
	}
	if w == nil {
		return nil
	}
	if _, err := w.WriteAt(b, lba*size); err != nil {
		return fmt.Errorf("keep sectors from %d on: %w", lba, err)
	}
	return nil
}

// single tries one sector until it is read, with tries already made, up to most. It
// says whether the sector was read, doubtful or not.
func (c *checker) single(ctx context.Context, a Area, lba int64, tries, most int) (bool, error) {
	if a.Audio {
		return c.singleAudio(ctx, a, lba, tries, most)
	}
	for tries < most {
		tries++
		sense, err := c.read(ctx, a, Range{lba, 1})
		if err == nil {
			return true, c.take(ctx, a, Range{lba, 1}, tries)
		}
		end := c.failed(ctx, err)
		if end == nil || errors.Is(end, ErrStalled) { // else it was no try
			c.m.set(lba, Failed, tries, sense)
		}
		if end != nil {
			return false, end
		}
	}
	return false, nil
}
