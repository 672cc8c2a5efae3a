// Package opening opens discs for checks: in a drive or as an image, with errors that say
// what a person can do, and with room for the sectors that a check reads.
package opening

import (
	"context"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"path"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/ledger/private"
	"firmus/manifest"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/scsi"
)

// Room is where the sectors of a disc are kept while it is checked.
type Room struct {
	Dir  string
	Free func(dir string) int64 // bytes left; -1: not known
}

// Open opens the disc in a drive, or an image of one.
func (r Room) Open(ctx context.Context, at discs.At) (discs.Opened, error) {
	var d *optical.Disc
	var err error
	if at.Image != "" {
		d, err = optical.OpenImage(ctx, at.Image)
	} else {
		d, err = optical.OpenDrive(ctx, at.Drive)
	}
	if err != nil {
		return nil, inWords(at, err)
	}
	return &disc{d, at, r}, nil
}

// Look says of a drive what lies in it, and whether it can be used. That it is unplugged
// is all right: it is watched for until it comes.
func Look(ctx context.Context, drive string) (says string, away, ok bool) {
	p, err := optical.Look(ctx, drive)
	switch {
	case err == nil:
		return fmt.Sprintf("drive %s: %s", drive, inDrive[p]), false, true
	case errors.Is(err, fixity.ErrAway), errors.Is(err, fs.ErrNotExist):
		return fmt.Sprintf("drive %s isn't there now; discs can be checked when it is", drive), true, true
	}
	return inWords(discs.At{Drive: drive}, err).Error(), false, false
}

var inDrive = map[optical.Presence]string{
	optical.Unknown: "it answers, and doesn't say whether a disc lies in it", optical.NoDrive: "it doesn't answer", optical.TrayOpen: "its tray is open",
	optical.NoDisc: "no disc lies in it", optical.NotReady: "it is looking at its disc", optical.HasDisc: "a disc lies in it",
}

// inWords says of an error of a disc or drive what a person can do about it.
func inWords(at discs.At, err error) error {
	var denied *scsi.DeniedError
	where := at.Drive
	if where == "" {
		where = at.Image
	}
	switch {
	case errors.Is(err, optical.ErrTrayOpen):
		return fmt.Errorf("%s: the tray is open: %w", where, err)
	case errors.Is(err, optical.ErrNoDisc):
		return fmt.Errorf("%s: there is no disc in the drive: %w", where, err)
	case errors.Is(err, optical.ErrNotReady):
		return fmt.Errorf("%s: the drive doesn't recognise the disc. Take it out, look at it, clean it straight from the centre to the edge, and try another drive: %w", where, err)
	case errors.Is(err, optical.ErrBlank):
		return fmt.Errorf("%s: nothing is written on the disc: %w", where, err)
	case errors.Is(err, optical.ErrHalfErased), errors.Is(err, optical.ErrNoTOC), errors.Is(err, optical.ErrFormat):
		return fmt.Errorf("%s: %w. Try a second drive before you give it up", where, err)
	case errors.As(err, &denied) && denied.Group != "":
		return fmt.Errorf("%s: the account may not use the drive; it would as a member of the group %q: %w", where, denied.Group, err)
	case errors.Is(err, optical.ErrImage):
		return fmt.Errorf("%w: %w", err, fixity.ErrRefused)
	case at.Image == "" && errors.Is(err, fs.ErrNotExist):
		return fmt.Errorf("%s: there is no such drive, or it was unplugged: %w", where, fixity.ErrAway)
	case errors.Is(err, fixity.ErrBusy):
		return fmt.Errorf("%s: another program uses the drive: %w", where, err)
	case errors.Is(err, optical.ErrSwapped):
		return fmt.Errorf("%s: %w. Nothing of what was read was kept; check it again", where, err)
	case errors.Is(err, optical.ErrStalled):
		return fmt.Errorf("%s: %w. Let the drive rest, or try a second one", where, err)
	}
	return err
}

// disc is an opened disc.
type disc struct {
	*optical.Disc
	at   discs.At
	room Room
}

// Contents names the drive by its device where it doesn't say what it is.
func (d *disc) Contents() optical.Contents {
	c := d.Disc.Contents()
	if d.Drive() && c.Drive == "" {
		c.Drive = d.at.Drive
	}
	return c
}

// spare is what the state folder's drive must have left beside a spool.
const spare = 256 << 20

func (d *disc) spool(n int64) (burned.Spool, error) {
	dir := d.room.Dir
	if err := private.MkdirAll(dir); err != nil {
		return nil, err
	}
	if free := d.room.Free(dir); free >= 0 && free < n+spare {
		return nil, fmt.Errorf("%s has room for %d bytes, and the disc takes %d: its files are read from it a second time", dir, free, n)
	}
	f, err := discs.NewScratch(dir, "sectors-*")
	if err != nil {
		return nil, err
	}
	return f, nil
}

func (d *disc) Check(ctx context.Context, w burned.Want, o burned.Options) (burned.Result, error) {
	o.Spool = d.spool
	if o.Map != nil && o.Map.Disc() != d.Contents().ID() {
		o.Map = nil // a map that can't be used is no loss: the check begins anew
	}
	r, err := burned.Check(ctx, d.Disc, w, o)
	r.Extra = slices.DeleteFunc(slices.Clone(r.Extra), firmusOwn)
	if errors.Is(err, optical.ErrSwapped) {
		r.Check.Map = nil // it is of no disc
	}
	return r, inWords(d.at, err)
}

func (d *disc) Gather(ctx context.Context, files []burned.Sought, o burned.Options, into func(i int) (io.WriterAt, error)) ([]burned.Gathered, error) {
	o.Spool = d.spool
	got, err := burned.Gather(ctx, d.Disc, files, o, into)
	return got, inWords(d.at, err)
}

// firmusOwn says that a file on a disc came there with the folder that was burned: a
// marker, a backup, a list of checksums. Nobody registers those.
func firmusOwn(p string) bool {
	_, _, list := manifest.ParseName(path.Base(p))
	return list || strings.HasPrefix(p, ".firmus") || strings.Contains(p, "/.firmus")
}

func (d *disc) Identify(ctx context.Context, known []burned.Known) ([]burned.Match, error) {
	ms, err := burned.Identify(ctx, d.Disc, known)
	return ms, inWords(d.at, err)
}
