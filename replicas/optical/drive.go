package optical

import (
	"context"
	"errors"
	"fmt"
	"io"
	"time"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// readyTime is how long a drive may take to recognise a disc.
const readyTime = time.Minute

// OpenDrive opens the disc in the drive at path ("/dev/sr0", "E:") and reads what is
// on it. Errors are those of the package, of package scsi and of fixity: none of
// them is said of a file.
func OpenDrive(ctx context.Context, path string) (*Disc, error) {
	dev, err := scsi.Open(path)
	if err != nil {
		return nil, err
	}
	d, err := NewDrive(ctx, dev, dev)
	if err != nil {
		_ = dev.Close()
		return nil, fmt.Errorf("drive %q: %w", path, err)
	}
	return d, nil
}

// NewDrive is OpenDrive for a drive that is reached by t. c, which may be nil, is
// closed with the disc; after an error it isn't.
func NewDrive(ctx context.Context, t scsi.Transport, c io.Closer) (*Disc, error) {
	drive := mmc.New(t)
	p := &player{drive: drive, closer: c}
	d := &Disc{medium: p, drive: drive}
	id, err := drive.Inquiry(ctx)
	if err != nil {
		return nil, err
	}
	d.contents.Drive = id.String()
	if err := drive.WaitReady(ctx, readyTime); err != nil {
		return nil, err
	}
	if err := d.contents.fromDrive(ctx, drive); err != nil {
		return nil, err
	}
	p.id, p.profile = d.contents.ID(), d.contents.profile
	if d.contents.LeadOut > MaxSectors {
		return nil, fmt.Errorf("%d sectors: %w", d.contents.LeadOut, ErrTooLarge)
	}
	if err := d.identify(ctx); err != nil {
		return nil, err
	}
	return d, nil
}

// fromDrive asks for everything that is known without reading the disc's sectors.
func (c *Contents) fromDrive(ctx context.Context, drive *mmc.Drive) error {
	conf, err := drive.Configuration(ctx)
	if err != nil {
		if leave(ctx, err) {
			return err
		}
		c.Problems = append(c.Problems, err)
	}
	c.profile, c.Medium = conf.Profile, conf.Profile.String()
	info, err := drive.Information(ctx)
	known := err == nil
	if err != nil && leave(ctx, err) {
		return err
	}
	c.Erasable = info.Erasable
	if known && info.Status == mmc.Empty {
		return fmt.Errorf("%w%s", ErrBlank, in(c.Medium))
	}
	if err := c.setTracks(ctx, drive, info); err != nil {
		if leave(ctx, err) {
			return err
		}
		if c.Erasable {
			return fmt.Errorf("%w%s: %w", ErrHalfErased, in(c.Medium), err)
		}
		return fmt.Errorf("%w: %w", ErrNoTOC, err)
	}
	// MMC-6, table 366: "appendable". Discs that are written at random say neither.
	if known && info.Status == mmc.Appendable {
		c.Problems = append(c.Problems, ErrNotClosed)
	}
	if !conf.Profile.CD() && conf.Profile != mmc.NoProfile {
		return nil
	}
	return c.setWords(ctx, drive)
}

// in names a medium behind a sentence.
func in(medium string) string {
	if medium == "" {
		return ""
	}
	return " (" + medium + ")"
}

// leave says that nothing more can be found out.
func leave(ctx context.Context, err error) bool {
	return ctx.Err() != nil || gone(err)
}

// setTracks finds the tracks and sessions.
func (c *Contents) setTracks(ctx context.Context, drive *mmc.Drive, info mmc.Information) error {
	toc, err := drive.TOC(ctx)
	if err != nil {
		return err
	}
	if !c.profile.CD() && c.profile != mmc.NoProfile {
		return c.setBorders(ctx, drive, info, toc)
	}
	if toc.Unsure != nil {
		c.Problems = append(c.Problems, fmt.Errorf("%w: %w", ErrSessions, toc.Unsure))
	}
	c.take(toc)
	return nil
}

func (c *Contents) take(toc mmc.TOC) {
	c.LeadOut = toc.LeadOut
	for _, t := range toc.Tracks {
		c.Tracks = append(c.Tracks, Track{Number: t.Number, Session: t.Session, LBA: t.LBA, Data: t.Data(), PreEmphasis: t.PreEmphasis()})
	}
	for _, s := range toc.Sessions {
		for _, t := range toc.Tracks {
			if t.Number == s.First {
				c.Sessions = append(c.Sessions, Session{s.Number, s.First, s.Last, t.LBA, s.LeadOut})
			}
		}
	}
	c.setEnds()
}

// setBorders is setTracks for DVD and BD, whose tables of contents drives make up:
// several tracks are known by READ TRACK INFORMATION, and the size by READ CAPACITY.
func (c *Contents) setBorders(ctx context.Context, drive *mmc.Drive, info mmc.Information, toc mmc.TOC) error {
	const most = 200
	for n := 1; info.LastTrack > 1 && n <= min(info.LastTrack, most); n++ {
		t, err := drive.TrackInformation(ctx, n)
		if err != nil {
			if leave(ctx, err) {
				return err
			}
			c.Problems = append(c.Problems, fmt.Errorf("%w: %w", ErrSessions, err))
			c.Tracks, c.Sessions = nil, nil
			break
		}
		if t.Blank || t.Sectors == 0 || t.LBA < c.LeadOut {
			continue
		}
		c.LeadOut = t.LBA + t.Sectors
		c.Tracks = append(c.Tracks, Track{Number: n, Session: t.Session, LBA: t.LBA, Data: true})
		if k := len(c.Sessions); k == 0 || c.Sessions[k-1].Number != t.Session {
			c.Sessions = append(c.Sessions, Session{t.Session, n, n, t.LBA, c.LeadOut})
		} else {
			c.Sessions[k-1].Last, c.Sessions[k-1].LeadOut = n, c.LeadOut
		}
	}
	if len(c.Tracks) > 0 {
		c.setEnds()
		for i := range c.Tracks { // what lies between borders isn't a track's
			for _, s := range c.Sessions {
				if s.Last == c.Tracks[i].Number {
					c.Tracks[i].Sectors = s.LeadOut - c.Tracks[i].LBA
				}
			}
		}
		return nil
	}
	end, err := drive.Capacity(ctx)
	if err != nil && leave(ctx, err) {
		return err
	}
	if err != nil || end == 0 {
		end = toc.LeadOut
	}
	c.LeadOut = end
	c.Tracks = []Track{{Number: 1, Session: 1, LBA: 0, Data: true}}
	c.Sessions = []Session{{1, 1, 1, 0, end}}
	c.setEnds()
	return nil
}

// setWords asks for catalogue number, recording codes and CD-TEXT.
func (c *Contents) setWords(ctx context.Context, drive *mmc.Drive) error {
	note := func(err error) error {
		if err == nil || leave(ctx, err) {
			return err
		}
		c.Problems = append(c.Problems, err)
		return nil
	}
	if c.Kind == Data {
		return nil
	}
	var err error
	if c.MCN, err = drive.MCN(ctx); note(err) != nil {
		return err
	}
	for i, t := range c.Tracks {
		if t.Data {
			continue
		}
		if c.Tracks[i].ISRC, err = drive.ISRC(ctx, t.Number); note(err) != nil {
			return err
		}
	}
	if c.Text, err = drive.Text(ctx); note(err) != nil {
		return err
	}
	return nil
}

// gone says that an error means that the disc or the drive isn't there any more.
func gone(err error) bool {
	return errors.Is(err, mmc.ErrNoDisc) || errors.Is(err, mmc.ErrTrayOpen) || errors.Is(err, mmc.ErrChanged) ||
		errors.Is(err, ErrSwapped) || isAway(err)
}

// player is a drive as a medium.
type player struct {
	drive   *mmc.Drive
	closer  io.Closer
	id      string
	profile mmc.Profile
}

func (p *player) close() error {
	if p.closer == nil {
		return nil
	}
	return p.closer.Close()
}

func (p *player) read(ctx context.Context, lba int64, count int, audio bool, b, flags []byte) error {
	var err error
	if audio {
		_, err = p.drive.ReadAudio(ctx, lba, count, b, flags)
	} else {
		_, err = p.drive.ReadData(ctx, lba, count, b)
	}
	if errors.Is(err, mmc.ErrChanged) {
		return fmt.Errorf("%w: %w", ErrSwapped, err)
	}
	return err
}

func (p *player) same(ctx context.Context) error {
	err := p.drive.Ready(ctx)
	if errors.Is(err, mmc.ErrNotReady) {
		err = p.drive.WaitReady(ctx, readyTime)
	}
	if err != nil {
		if errors.Is(err, mmc.ErrChanged) || errors.Is(err, mmc.ErrNoDisc) || errors.Is(err, mmc.ErrTrayOpen) {
			return fmt.Errorf("%w: %w", ErrSwapped, err)
		}
		return err
	}
	var c Contents
	c.profile = p.profile
	info, err := p.drive.Information(ctx)
	if err != nil && leave(ctx, err) {
		return err
	}
	if err := c.setTracks(ctx, p.drive, info); err != nil {
		return err
	}
	if c.ID() != p.id {
		return fmt.Errorf("%w: it has another table of contents", ErrSwapped)
	}
	return nil
}

func isAway(err error) bool { return errors.Is(err, fixity.ErrAway) }

// Eject opens the tray of the drive at path.
func Eject(ctx context.Context, path string) error {
	dev, err := scsi.Open(path)
	if err != nil {
		return err
	}
	defer dev.Close()
	return mmc.New(dev).Eject(ctx)
}
