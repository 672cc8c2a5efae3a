package sheets

import "firmus/fixity/ledger"

// Capacity is what a blank holds, in sectors.
type Capacity struct {
	Name    string // "CD-R, 80 minutes"
	Sectors int64
}

// Blanks that are asked for by name. A CD holds 75 sectors a second, of which the
// first two seconds are a pause before the first track (ECMA-130, sections 16 and
// 20), and its minutes are those that ECMA-394 knows; blanks of one name differ by
// some seconds. DVDs are those of ECMA-359 (DVD-R, 2,298,496 sectors) and ECMA-349
// (DVD+R, 2,295,104 sectors): what both hold.
var (
	CD74 = Capacity{"CD-R, 74 minutes", 74*60*audioSectors - firstPause}
	CD80 = Capacity{"CD-R, 80 minutes", 80*60*audioSectors - firstPause}
	DVD  = Capacity{"DVD-R or DVD+R, 4.7 GB", 2295104}
)

const (
	audioSectors = 75               // a second
	firstPause   = 2 * audioSectors // before the first track
	cdRate       = 44100            // samples a second
	sectorBytes  = 2048             // of data
	maxTracks    = 99               // IEC 60908: tracks are numbered with two digits
	leastTrack   = 4 * audioSectors // IEC 60908: a track lasts 4 s or longer
)

// sectors is how many the file takes on a disc of the kind, 0 if its length isn't
// known. The last sector of a file is filled up: that of a track with silence.
func (f BurnFile) sectors(kind string) int64 {
	if kind == ledger.DataDisc {
		return ceil(f.Bytes, sectorBytes)
	}
	rate := int64(f.Rate)
	if rate <= 0 {
		rate = cdRate
	}
	// A sector is a 75th of a second at any rate; whole seconds and the rest are kept
	// apart, so that no length overflows.
	return f.Samples/rate*audioSectors + ceil(f.Samples%rate*audioSectors, rate)
}

func ceil(n, by int64) int64 {
	if n <= 0 {
		return 0
	}
	return (n-1)/by + 1
}

// structure is what a file system takes besides the files, at a generous guess: a
// sector a file for its entry and its folder's share, and 2 MB for the rest.
func structure(files int) int64 { return int64(files) + 1000 }

// load is what is to be burned, summed.
type load struct {
	sectors int64 // with the file system's own, for data
	bytes   int64
	unknown int // files of which the length isn't known
}

func (s BurnSheet) load() load {
	var l load
	for _, f := range s.Files {
		n := f.sectors(s.Kind)
		if n == 0 && !(s.Kind == ledger.DataDisc && f.Empty) {
			l.unknown++
		}
		l.sectors += n
		l.bytes += max(f.Bytes, 0)
	}
	if s.Kind == ledger.DataDisc && l.sectors > 0 {
		l.sectors += structure(len(s.Files))
	}
	return l
}

// blanksFor are those that a sheet names where it isn't told which is used.
func blanksFor(kind string) []Capacity {
	if kind == ledger.DataDisc {
		return []Capacity{CD80, DVD}
	}
	return []Capacity{CD74, CD80}
}
