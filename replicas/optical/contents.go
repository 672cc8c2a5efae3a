package optical

import (
	"crypto/sha256"
	"encoding/hex"
	"fmt"

	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/sector"
)

// Kind is what a disc holds. The codes are stored: never change one.
type Kind string

// Kinds of discs.
const (
	Audio Kind = "audio"
	Data  Kind = "data"
	Mixed Kind = "mixed" // sound and data
)

// Track is one track of a disc. Where it lies is counted in sectors.
type Track struct {
	Number      int
	Session     int   // 0 if it isn't known
	LBA         int64 // where it begins (index 1)
	Sectors     int64 // up to where its sectors are of its kind
	Data        bool
	PreEmphasis bool
	ISRC        string // "" if it has none
}

// Session is one session of a disc: what was written at one time.
type Session struct {
	Number      int
	First, Last int   // tracks
	LBA         int64 // where its first track begins
	LeadOut     int64 // the first sector behind its tracks; 0 if it isn't known
}

// Contents is what a disc is and has on it, so far as could be found out. What
// couldn't be is blank, and Problems say why.
type Contents struct {
	Kind     Kind
	Medium   string // of a disc in a drive "CD", "CD-R", "DVD+R" …; "" if it isn't known
	Drive    string // maker, model and revision of the drive; "" for an image
	Erasable bool
	Tracks   []Track
	Sessions []Session // empty if they aren't known
	LeadOut  int64     // the first sector behind the last track
	MCN      string    // media catalogue number, "" if there is none
	Text     []mmc.Text
	Label    string // of the file system in the last session that has one
	// Problems are what is wrong or isn't known: ErrNotClosed, ErrSessions,
	// ErrShorter, an error in reading the file system's first sectors.
	Problems []error

	profile mmc.Profile
}

// Area is a row of sectors of one kind that a check reads.
type Area struct {
	LBA, Count int64
	Audio      bool
	Track      int // that it is of; sound before track 1's beginning is track 1's
}

// between is what lies between the data of a track and the sound of the next one in
// the same session: data of the first kind can't be read there, nor sound (ECMA-130,
// 20.2: a pause of 2 s whose sectors are of the second track).
const between = sector.Lead

// secondSession and furtherSession are what lies between two sessions: lead-out,
// lead-in and the pause before the track (MMC-6, 4.2.3.6).
const (
	secondSession  = 11400
	furtherSession = 6900
)

// setEnds works out each track's Sectors from the next one's beginning and from the
// sessions' lead-outs, and the disc's kind.
func (c *Contents) setEnds() {
	var sound, data bool
	for i := range c.Tracks {
		t := &c.Tracks[i]
		end := c.LeadOut
		if i+1 < len(c.Tracks) {
			next := c.Tracks[i+1]
			end = next.LBA
			switch {
			case t.Session != 0 && next.Session != 0 && t.Session != next.Session:
				end = next.LBA - furtherSession
				if t.Session == 1 {
					end = next.LBA - secondSession
				}
				for _, s := range c.Sessions {
					if s.Number == t.Session && s.LeadOut > t.LBA {
						end = min(s.LeadOut, next.LBA)
					}
				}
			case t.Session == 0 && !t.Data && next.Data:
				// Sound before data is in all likelihood another session's.
				end = next.LBA - secondSession
			case t.Data && !next.Data:
				end = next.LBA - between
			}
			if end <= t.LBA { // a table that makes no sense
				end = next.LBA
			}
		}
		t.Sectors = max(0, end-t.LBA)
		sound, data = sound || !t.Data, data || t.Data
	}
	switch {
	case sound && data:
		c.Kind = Mixed
	case sound:
		c.Kind = Audio
	default:
		c.Kind = Data
	}
}

// Areas are the sectors that a check reads: those of tracks, and sound that lies
// before the beginning of an audio disc's first track.
func (c Contents) Areas() []Area {
	var list []Area
	for i, t := range c.Tracks {
		a := Area{LBA: t.LBA, Count: t.Sectors, Audio: !t.Data, Track: t.Number}
		if i == 0 && a.Audio {
			a.LBA, a.Count = 0, t.LBA+t.Sectors
		}
		if a.Count > 0 {
			list = append(list, a)
		}
	}
	return list
}

// ID is made of the table of contents alone, and so is the same in each drive: 64
// hexadecimal digits. Two discs may have the same one, as twins do.
func (c Contents) ID() string {
	h := sha256.New()
	fmt.Fprintf(h, "firmus table of contents 1\n")
	for _, t := range c.Tracks {
		fmt.Fprintf(h, "%d %d %t\n", t.Number, t.LBA, t.Data)
	}
	fmt.Fprintf(h, "lead-out %d\n", c.LeadOut)
	return hex.EncodeToString(h.Sum(nil))
}

// TrackAt gives the track that a sector is of; false in a gap between tracks.
func (c Contents) TrackAt(lba int64) (Track, bool) {
	for i, t := range c.Tracks {
		from := t.LBA
		if i == 0 && !t.Data {
			from = 0
		}
		if lba >= from && lba < t.LBA+t.Sectors {
			return t, true
		}
	}
	return Track{}, false
}

// RunOut says that a sector is one of the last two of a data track. When a disc is
// written track by track the drive ends each with two sectors of its own, which
// count as the track's and can't be read (MMC-6, 4.2.3.8: run-out blocks). If they
// lie behind the end of the file system, that they are unreadable is no damage.
func (c Contents) RunOut(lba int64) bool {
	t, ok := c.TrackAt(lba)
	return ok && t.Data && (c.profile.CD() || c.profile == mmc.NoProfile) && lba >= t.LBA+t.Sectors-2
}

// dataSpan gives where the last session with data begins, and where the last data
// track ends.
func (c Contents) dataSpan() (session, end int64, ok bool) {
	for _, t := range c.Tracks {
		if !t.Data {
			continue
		}
		if !ok || t.Session != 0 && t.Session != c.session(session) {
			session = t.LBA
		}
		end, ok = t.LBA+t.Sectors, true
	}
	return session, end, ok
}

func (c Contents) session(lba int64) int {
	t, _ := c.TrackAt(lba)
	return t.Session
}
