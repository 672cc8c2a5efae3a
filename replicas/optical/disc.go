package optical

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"sync"

	"firmus/fixity"
	"firmus/replicas/optical/discfs"
	"firmus/replicas/optical/iso"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/optical/sector"
	"firmus/replicas/optical/udf"
)

// medium is what sectors are read from.
type medium interface {
	// read reads count sectors of one kind from lba on into b; for sound, flags is
	// nil or takes the drive's error flags. Errors are those of package mmc, or
	// *flawError.
	read(ctx context.Context, lba int64, count int, audio bool, b, flags []byte) error
	// same gives an error that matches ErrSwapped if the medium isn't what was
	// opened any more, so far as can be seen without reading sectors.
	same(ctx context.Context) error
	close() error
}

// Disc is a disc in a drive, or an image of one. Its methods may be called at the
// same time, but sectors are read one after the other.
type Disc struct {
	contents Contents
	medium   medium
	drive    *mmc.Drive // nil for an image
	mu       sync.Mutex
}

// Contents says what the disc is and has on it, as it was when it was opened.
func (d *Disc) Contents() Contents {
	c := d.contents
	c.Tracks, c.Sessions = slices.Clone(c.Tracks), slices.Clone(c.Sessions)
	c.Text, c.Problems = slices.Clone(c.Text), slices.Clone(c.Problems)
	return c
}

// Drive says that the disc lies in a drive: it spins, and a person must look at it
// before it is checked.
func (d *Disc) Drive() bool { return d.drive != nil }

// Close lets the drive or the image go.
func (d *Disc) Close() error { return d.medium.close() }

// flawError is a sector of an image that is no sound sector.
type flawError struct {
	lba  int64
	flaw sector.Flaw // Sound: the file ends before it, or can't be read
	err  error
}

func (e *flawError) Error() string {
	if e.err != nil {
		return fmt.Sprintf("sector %d: %v", e.lba, e.err)
	}
	return fmt.Sprintf("sector %d: %s", e.lba, e.flaw)
}

func (e *flawError) Unwrap() []error { return []error{fixity.ErrUnreadable, e.err} }

// sense says of an image's sector what a drive would say of a disc's.
func (e *flawError) sense() scsi.Sense {
	switch {
	case errors.Is(e.err, errEnds):
		return scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x21}
	case e.err != nil:
		return scsi.Sense{Key: scsi.MediumError, ASC: 0x11}
	}
	return scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 5}
}

var errEnds = errors.New("the image ends before it")

// identify fills in what stands on the disc itself: the label of its file system,
// and whether that goes on where the disc has ended.
func (d *Disc) identify(ctx context.Context) error {
	c := &d.contents
	session, end, ok := c.dataSpan()
	if !ok {
		return nil
	}
	r := d.Data(ctx)
	label, blocks, err := volume(r, end*sector.Data, session)
	if err := ctx.Err(); err != nil {
		return err
	}
	c.Label = label
	switch {
	case errors.Is(err, ErrSwapped), errors.Is(err, fixity.ErrAway):
		return err
	case err != nil && !errors.Is(err, discfs.ErrNone):
		c.Problems = append(c.Problems, err)
	case session == 0 && blocks > end:
		// In later sessions programs count from different beginnings.
		c.Problems = append(c.Problems, fmt.Errorf("%w: %d of %d sectors are there", ErrShorter, end, blocks))
	}
	return nil
}

// volume gives a file system's label, and how many sectors it says that it has, 0 if
// it doesn't.
func volume(r *Reader, size, session int64) (label string, blocks int64, err error) {
	im, err := iso.Open(r, size, session)
	if err == nil {
		for _, v := range im.Views() {
			if label == "" {
				label = im.Label(v)
			}
		}
		return label, im.Blocks(), nil
	}
	if !errors.Is(err, discfs.ErrNone) {
		return "", 0, err
	}
	u, uerr := udf.Open(r, size, session)
	if uerr == nil {
		return u.Label(), 0, nil
	}
	return "", 0, uerr
}
