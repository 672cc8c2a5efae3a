package levels

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
)

// Facts are what the ledger shows.
type Facts struct {
	Now time.Time
	// Groups are all files under care, by where a reading showed their current version.
	Groups []Group
	// WithoutVersion are files of which no checksum is the right one: stores disagree.
	WithoutVersion int64
	Stores         []Store
	Backups        []Backup  // the newest of each store
	Checked        time.Time // when the whole record was checked last, and was what was written; zero: never
	OnDemand       Did       // whole stores that were read because a person ordered it
	FollowedUp     Did       // readings of other copies because one was found damaged
	PutRight       Did       // damaged copies that were put back, and read there
	BurnedAnew     Did       // damaged discs that were retired, and whose files were read on discs burned since
	Given          Given     // checksums that came with files
	Damaged        int64     // copies that are damaged now
	EverDamaged    int64     // that were found damaged at any time
}

// Given is how many files came with checksums and were held against them at intake.
type Given struct {
	Files, Differ int64
	Unknown       int64 // files of which the record doesn't say whether any came
}

// Group is how many files have copies of full quality that are alike.
type Group struct {
	Files  int64
	Copies int      // that don't fail together
	Places []string // whose names are known
	Media  []string
}

// Store is what was read of a store, and what it promises.
type Store struct {
	Name      string
	Copies    int64         // that were ever seen there
	NeverRead int64         // of them
	Within    time.Duration // every byte read at least this often; 0: no promise
	Waits     time.Time     // since when the copy waits that waited longest to be read; zero if none does
	Oldest    time.Time     // reading
	Arrivals  bool          // new files appear there
}

// Backup is a copy of the ledger, with all checksums, in a store.
type Backup struct {
	Store, Place string
	At           time.Time
}

// Did is how often something was done, and when last, by whom and in which store.
type Did struct {
	N      int64
	Last   time.Time
	By, In string
}

// fresh is how old the newest backup of the ledger may be. It is written every night; a week
// is for closed days (*common practice*).
const fresh = 8 * 24 * time.Hour

func (f Facts) files() (n int64) {
	for _, g := range f.Groups {
		n += g.Files
	}
	return n
}

// least is the least of something that any file has: a file that has fewer keeps all from
// being complete.
func (f Facts) least(of func(Group) int) (least int, files int64) {
	for i, g := range f.Groups {
		if n := of(g); i == 0 || n < least {
			least, files = n, 0
		}
		if of(g) == least {
			files += g.Files
		}
	}
	return least, files
}

func copies(g Group) int { return g.Copies }
func places(g Group) int { return min(len(g.Places), g.Copies) }
func media(g Group) int  { return min(len(g.Media), g.Copies) }

// spread asks for so many complete copies in so many places on so many kinds of media.
func spread(nCopies, nPlaces, nMedia int) func(Facts) shown {
	return func(f Facts) shown {
		all := f.files()
		if all == 0 {
			return shown{why: "no file is under care"}
		}
		c, fewCopies := f.least(copies)
		if c == 0 {
			return shown{why: fmt.Sprintf("%s; of %s no copy of full quality was read intact", count(all, "file"), number(fewCopies))}
		}
		p, fewPlaces := f.least(places)
		m, fewMedia := f.least(media)
		why := fmt.Sprintf("%s: each was read intact, in full quality, in at least %s", count(all, "file"), count(int64(c), "independent store"))
		if c < nCopies {
			why += fmt.Sprintf(" (%s in no more)", count(fewCopies, "file"))
		}
		if nPlaces > 1 {
			why += fmt.Sprintf(", in at least %s that the configuration names", count(int64(p), "place"))
			if p < nPlaces {
				why += fmt.Sprintf(" (%s in no more)", count(fewPlaces, "file"))
			}
		}
		if nMedia > 1 {
			why += fmt.Sprintf(", on at least %s %s of medium", number(int64(m)), fixity.OneOr(m, "kind", "kinds"))
			if m < nMedia {
				why += fmt.Sprintf(" (%s on no more)", count(fewMedia, "file"))
			}
		}
		if p := f.placeNames(); len(p) > 0 && nPlaces > 1 {
			why += ": " + strings.Join(p, "; ")
		}
		if old := f.oldest(); !old.IsZero() {
			why += "; oldest reading " + day(old)
		}
		return shown{ok: c >= nCopies && p >= nPlaces && m >= nMedia, why: why}
	}
}

func (f Facts) placeNames() (out []string) {
	for _, g := range f.Groups {
		for _, p := range g.Places {
			if !slices.Contains(out, p) {
				out = append(out, p)
			}
		}
	}
	slices.Sort(out)
	return out
}

func (f Facts) oldest() (old time.Time) {
	for _, s := range f.Stores {
		if !s.Oldest.IsZero() && (old.IsZero() || s.Oldest.Before(old)) {
			old = s.Oldest
		}
	}
	return old
}

func checksums(f Facts) shown {
	all := f.files()
	switch {
	case all == 0:
		return shown{why: "no file is under care"}
	case f.WithoutVersion > 0:
		return shown{why: fmt.Sprintf("of %s, %s without a checksum that is known to be right: stores disagree", count(all, "file"), fixity.Counted(f.WithoutVersion, "file", "is", "are"))}
	}
	return shown{ok: true, why: fmt.Sprintf("checksums of %s were made when they were taken under care", count(all, "file"))}
}

func copiesVerified(f Facts) shown {
	var copied, unread int64
	var names []string
	for _, s := range f.Stores {
		unread += s.NeverRead
		if s.NeverRead > 0 {
			names = append(names, fmt.Sprintf("%s in %s", number(s.NeverRead), s.Name))
		}
		if !s.Arrivals {
			copied += s.Copies
		}
	}
	switch {
	case copied == 0:
		return shown{why: "nothing was copied to another store yet"}
	case unread > 0:
		return shown{why: fmt.Sprintf("not read since they came: %s", strings.Join(names, ", "))}
	}
	return shown{ok: true, why: fmt.Sprintf("%s in other stores than the one where files arrive; each was read there and compared since it came", count(copied, "copy"))}
}

func checksumsElsewhere(f Facts) shown {
	content := f.placeNames()
	var kept, told []string
	for _, b := range f.Backups {
		if b.Place == "" || f.Now.Sub(b.At) > fresh {
			continue
		}
		told = append(told, fmt.Sprintf("%s (%s), %s", b.Store, b.Place, day(b.At)))
		if !slices.Contains(kept, b.Place) {
			kept = append(kept, b.Place)
		}
	}
	if len(content) == 0 || len(told) == 0 {
		return shown{why: "no backup of the ledger with its checksums was written and read back within eight days in a store whose place is known"}
	}
	why := "the ledger with its checksums was written and read back: " + strings.Join(told, "; ")
	for _, p := range content {
		if !slices.ContainsFunc(kept, func(k string) bool { return k != p }) {
			return shown{why: why + "; of what lies at " + p + " none is elsewhere"}
		}
	}
	return shown{ok: true, why: why}
}

func inTime(f Facts) shown {
	if len(f.Stores) == 0 || f.files() == 0 {
		return shown{why: "no store holds a file yet"}
	}
	var kept, not []string
	for _, s := range f.Stores {
		switch {
		case s.Within <= 0:
			not = append(not, s.Name+" promises no interval")
		case s.Copies == 0 || s.NeverRead == s.Copies:
			not = append(not, "nothing was read in "+s.Name)
		case s.NeverRead > 0:
			not = append(not, fmt.Sprintf("%s never read in %s", fixity.Counted(s.NeverRead, "copy", "was", "were"), s.Name))
		case !s.Waits.IsZero() && f.Now.Sub(s.Waits) > s.Within:
			not = append(not, fmt.Sprintf("in %s a file waits since %s, and every %s was promised", s.Name, day(s.Waits), days(s.Within)))
		default:
			kept = append(kept, fmt.Sprintf("%s every %s, oldest reading %s", s.Name, days(s.Within), day(s.Oldest)))
		}
	}
	if len(not) > 0 {
		return shown{why: strings.Join(not, "; ")}
	}
	return shown{ok: true, why: strings.Join(kept, "; ")}
}

func given(f Facts) shown {
	switch g := f.Given; {
	case g.Unknown > 0:
		return shown{silent: true, why: fmt.Sprintf("of %s the record doesn't say whether checksums came with them", count(g.Unknown, "file"))}
	case g.Files == 0:
		return shown{silent: true, why: "no list of checksums lay beside the files that were taken in"}
	case g.Differ > 0:
		return shown{ok: true, why: fmt.Sprintf("%s came with checksums; each was held against them at intake, and %s was told to differ", count(g.Files, "file"), count(g.Differ, "file"))}
	default:
		return shown{ok: true, why: fmt.Sprintf("%s came with checksums; each was held against them at intake, and none differed", count(g.Files, "file"))}
	}
}

func recorded(f Facts) shown {
	switch {
	case f.Checked.IsZero():
		return shown{why: "the record of all readings was never checked as a whole"}
	case f.Now.Sub(f.Checked) > fresh:
		return shown{why: "the record of all readings was checked last on " + day(f.Checked)}
	}
	return shown{ok: true, why: "each reading stands in the record, which was unbroken on " + day(f.Checked)}
}

func onDemand(f Facts) shown {
	d := f.OnDemand
	switch {
	case d.N == 0:
		return shown{why: "nobody has ordered an audit that reads all of a store"}
	case f.Now.Sub(d.Last) > year:
		return shown{why: "the last audit of a whole store that somebody ordered was on " + day(d.Last)}
	}
	return shown{ok: true, why: fmt.Sprintf("%s of a whole store ordered, the last on %s, of %s, by %s", count(d.N, "audit"), day(d.Last), d.In, d.By)}
}

// year is how old an audit on demand may be that shows that one can be had (*common
// practice*).
const year = 366 * 24 * time.Hour

func afterEvents(f Facts) shown {
	if f.FollowedUp.N+f.PutRight.N == 0 {
		return shown{silent: f.EverDamaged == 0, why: "nothing has been read because of an event yet"}
	}
	var out []string
	if d := f.FollowedUp; d.N > 0 {
		out = append(out, fmt.Sprintf("other copies were read %s because one was found wrong, the last time on %s, in %s", times(d.N), day(d.Last), d.In))
	}
	if d := f.PutRight; d.N > 0 {
		out = append(out, fmt.Sprintf("%s put back and read there, the last on %s, in %s", fixity.Counted(d.N, "copy", "was", "were"), day(d.Last), d.In))
	}
	return shown{ok: true, why: strings.Join(out, "; ")}
}

func repaired(f Facts) shown {
	switch d := f.PutRight; {
	case f.Damaged > 0:
		return shown{why: fmt.Sprintf("%s damaged now", are(f.Damaged))}
	case d.N+f.BurnedAnew.N > 0:
		var out []string
		if d.N > 0 {
			out = append(out, fmt.Sprintf("%s put back and read there, the last on %s, in %s, by %s", count(d.N, "copy"), day(d.Last), d.In, d.By))
		}
		if b := f.BurnedAnew; b.N > 0 {
			out = append(out, fmt.Sprintf("%s retired whose files were read on discs burned since, the last on %s", count(b.N, "damaged disc"), day(b.Last)))
		}
		return shown{ok: true, why: strings.Join(append(out, "none is damaged now"), "; ")}
	case f.EverDamaged > 0:
		return shown{why: "copies were found damaged, and none was put back, nor a disc burned anew: it was settled in another way"}
	}
	return shown{silent: true, why: "no copy was found damaged yet, and bringing files back as a drill repairs nothing"}
}

// Points are all points of the matrix.
//
// Source: NDSA Levels of Digital Preservation, version 2.0, October 2019 (osf.io/2mkwx), read
// from the matrix that its publisher gives. The words are ours.
var Points = []Point{
	{"storage-1-copies", Storage, 1, "two complete copies in separate places", spread(2, 2, 1), false},
	{"storage-1-media", Storage, 1, "a list of all media on which content lies", nil, true},
	{"storage-1-stable", Storage, 1, "storage that can be relied on", nil, true},
	{"storage-2-copies", Storage, 2, "three complete copies, one of them in another area", spread(3, 2, 1), true},
	{"storage-2-needs", Storage, 2, "what storage and media need to work is written down", nil, true},
	{"storage-3-threat", Storage, 3, "one copy where another kind of disaster threatens", spread(2, 2, 1), true},
	{"storage-3-medium", Storage, 3, "one copy on another kind of medium", spread(2, 1, 2), false},
	{"storage-3-ageing", Storage, 3, "it is watched which storage and media go out of use", nil, true},
	{"storage-4-threats", Storage, 4, "three copies in areas that different disasters threaten", spread(3, 3, 1), true},
	{"storage-4-diverse", Storage, 4, "storage so varied that no single failure takes all", nil, true},
	{"storage-4-plan", Storage, 4, "a plan against storage going out of use, and it is carried out", nil, true},

	{"integrity-1-given", Integrity, 1, "checksums that came with content are verified", given, false},
	{"integrity-1-made", Integrity, 1, "checksums are made where none came", checksums, false},
	{"integrity-1-virus", Integrity, 1, "all content is checked for viruses, and kept apart if need be", nil, true},
	{"integrity-2-copying", Integrity, 2, "checksums are verified when content is moved or copied", copiesVerified, false},
	{"integrity-2-blockers", Integrity, 2, "write-blockers are used with original media", nil, true},
	{"integrity-2-backup", Integrity, 2, "checksums are backed up apart from the content", checksumsElsewhere, false},
	{"integrity-3-interval", Integrity, 3, "checksums are verified at fixed intervals", inTime, false},
	{"integrity-3-outcomes", Integrity, 3, "how that is done, and what comes of it, is written down", recorded, true},
	{"integrity-3-demand", Integrity, 3, "an audit can be had on demand", onDemand, false},
	{"integrity-4-events", Integrity, 4, "checksums are verified because something happened", afterEvents, false},
	{"integrity-4-repair", Integrity, 4, "damaged content is replaced or repaired", repaired, false},

	{"control-1-who", Control, 1, "it is settled who and what may read, write, move and delete content", nil, true},
	{"control-2-written", Control, 2, "that is written down, and kept to", nil, true},
	{"control-3-logs", Control, 3, "logs say who and what did what to content", nil, true},
	{"control-4-review", Control, 4, "these logs are looked through regularly", nil, true},

	{"metadata-1-inventory", Metadata, 1, "a list of the content and where it lies", nil, true},
	{"metadata-1-backup", Metadata, 1, "a copy of that list lies apart from the content", nil, true},
	{"metadata-2-enough", Metadata, 2, "enough is written down to know what the content is", nil, true},
	{"metadata-3-standards", Metadata, 3, "it is settled which standards of metadata apply", nil, true},
	{"metadata-3-gaps", Metadata, 3, "what these lack is looked for and filled in", nil, true},
	{"metadata-4-actions", Metadata, 4, "what was done to content, and when, is recorded", nil, true},
	{"metadata-4-standards", Metadata, 4, "the standards that were chosen are followed", nil, true},

	{"content-1-formats", Content, 1, "formats are written down, with how and when they were told", nil, true},
	{"content-2-verified", Content, 2, "formats are verified", nil, true},
	{"content-2-makers", Content, 2, "who makes content is advised on lasting formats", nil, true},
	{"content-3-watch", Content, 3, "it is watched what goes out of use that content depends on", nil, true},
	{"content-4-migrate", Content, 4, "content is migrated, normalised or emulated so that it can be used", nil, true},
}
