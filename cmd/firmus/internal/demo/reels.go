package demo

import (
	"fmt"
	"time"
)

// reel is a tape of the survey.
type reel struct {
	number, performer, place string
	recorded                 string // yyyy-mm-dd
	ips                      string // speed, inches a second
	rate, channels           int    // of the transfer
	sides                    []side
}

// side is one side of a reel: one master, and one or more access files.
type side struct {
	letter, title string
	pieces        []string // paths in the item's folder; "" is the usual name
}

// The reels. Some pieces have names such as people give, and some such as no
// program expects: blanks at the ends, signs with a meaning elsewhere, an umlaut in
// both of Unicode's forms, a line feed, bytes that aren't UTF-8.
var reels = []reel{
	{"QV-0101", "Nan Harrowbell", "Quill Bridge", "1954-05-02", "7.5", 48000, 1, []side{
		{"A", "The Miller's Daughter of Quill Bridge", []string{"", ""}},
		{"B", "Ninety Sheep and One", []string{""}},
	}},
	{"QV-0102", "Barnaby Quenchwell", "Ferry Steps", "1954-05-03", "7.5", 48000, 1, []side{
		{"A", "The Ferryman's Second Fare", []string{"QV-0102_A_01 The Ferryman's Second Fare.wav", ""}},
	}},
	{"QV-0103", "The Sisters Wimbleforth", "Emberley Moss", "1956-10-21", "7.5", 48000, 1, []side{
		{"A", "The Hob of Emberley Moss", []string{"", ""}},
		{"B", "Down by Tallow Weir", []string{""}},
	}},
	{"QV-0104", "Josiah Pennyfathom", "Tallow Weir", "1957-06-30", "15", 96000, 1, []side{
		{"A", "The Salt Wagon", []string{"", "QV-0104_A_02 sung at 70% speed, take #2 (Josiah's own).wav"}},
	}},
	{"QV-0105", "Hesper and Dill Quarrywick", "Upper Sallow", "1958-01-06", "7.5", 48000, 1, []side{
		{"A", "Wassail of the Seven Farms", []string{"QV-0105_A_01 Gr\u00fcner Quill.wav", "QV-0105_A_02 Gru\u0308ner Sallow.wav"}},
		{"B", "Three Grey Geese to Harrowmere", []string{""}},
	}},
	{"QV-0106", "Corporal Tobit Fennimarsh", "Harrowmere Fort", "1959-11-11", "7.5", 48000, 1, []side{
		{"A", "The Drum Went Over First", []string{" to be cut /QV-0106_A_01.wav"}},
		{"B", "Harrowmere Roll Call", []string{" QV-0106_B_01.wav", "QV-0106_B_02.wav "}},
	}},
	{"QV-0107", "Widow Sedgecombe-Larkspur", "Quill Bridge", "1961-04-17", "7.5", 48000, 1, []side{
		{"A", "The Bell That Fell in the Quill", []string{"", ""}},
		{"B", "Carry the Heron Home", []string{""}},
	}},
	{"QV-0108", "Ezra Millwhistle", "Nether Mill", "1962-08-05", "3.75", 48000, 1, []side{
		{"A", "When the Mere Ran Dry", []string{"QV-0108_A_01 verse\nand refrain.wav", ""}},
		{"B", "Grind Small, Grind Slow", []string{""}},
	}},
	{"QV-0109", "Tamsin Ashgrove-Thimble", "Sallow Fair", "1964-09-29", "7.5", 48000, 1, []side{
		{"A", "Sallow Fair, the Long Way", []string{"", ""}},
	}},
	{"QV-0110", "Old Perrin Oatcake", "Emberley", "1966-02-14", "7.5", 48000, 1, []side{
		{"A", "Lay Low the Lantern, Nan", []string{"QV-0110_A_01 Gr\xfcner Quill.wav"}},
		{"B", "The Tinker's Eleven Doors", []string{""}},
	}},
	{"QV-0111", "The Lower Quill Ringers", "Lower Quill", "1968-12-24", "15", 96000, 1, []side{
		{"A", "The Ringers' Round", []string{"QV-0111_A_01 The Ringers' Round, as it was rung on Christmas Eve when the sexton had the key and " +
			"nobody could find the sexton, with the talk before it, the talk after it, and the dog (don't cut the dog).wav"}},
	}},
	{"QV-0112", "Marigold Tunstickle", "Tallow Weir", "1971-07-03", "7.5", 48000, 2, []side{
		{"A", "Cradle Song from Upper Sallow", []string{""}},
		{"B", "The Cat Who Kept the Weir", []string{""}},
	}},
	{"QV-0113", "Absalom Drystone-Wren", "High Walls", "1973-03-19", "7.5", 48000, 1, []side{
		{"A", "A Wall Has Two Sides", []string{""}},
		{"B", "Forty Stones and a Frost", []string{""}},
	}},
	{"QV-0114", "Nan Harrowbell", "Quill Bridge", "1976-05-02", "7.5", 48000, 1, []side{
		{"A", "The Miller's Daughter, Twenty-Two Years On", []string{"", ""}},
		{"B", "Nan Talks about the Bridge", []string{""}},
	}},
}

// newReel arrives after the others were taken in, see Live.
var newReel = reel{"QV-0115", "Lettice Underbough", "Emberley Moss", "1976-06-12", "7.5", 48000, 1, []side{
	{"A", "The Moss Is Wider Than It Was", nil},
}}

// inWindow is the access file that is still worked on.
const inWindow = "QV-0114/QV-0114_B_01.wav"

// recording is one file of the holdings. Times are in milliseconds.
type recording struct {
	set, path    string
	odd          bool // not every file system holds the name
	reel         reel
	side         side
	n            int // place of its reel among all
	piece        int // from 1; 0 for a master
	rate         int
	from, length int
}

func (x recording) frames() int { return x.length * x.rate / 1000 }

// recordings are the files of a reel: its masters, then its access files.
func (r reel) recordings() []recording {
	var ms, as []recording
	for _, s := range r.sides {
		x := recording{set: masters, reel: r, side: s, n: r.n(), rate: r.rate}
		x.path = fmt.Sprintf("%s/%s.wav", r.number, x.tune())
		// Lengths differ, so that no file can be taken for another by its size.
		vary := seeded(x.path)
		x.length = 2900 + vary.below(1200)
		if x.rate > 48000 || r.channels > 1 {
			x.length = x.length * 3 / 4
		}
		ms = append(ms, x)
		for i, name := range s.pieces {
			a := x
			a.set, a.piece, a.rate, a.odd = access, i+1, 44100, name != ""
			if name == "" {
				name = fmt.Sprintf("%s_%02d.wav", x.tune(), i+1)
			}
			a.path = r.number + "/" + name
			// A piece begins a little before the one before it ends, so that no verse is
			// cut in two; what isn't song at both ends is trimmed.
			part, lap := x.length/len(s.pieces), 0
			if len(s.pieces) > 1 {
				lap = part / 4
			}
			vary := seeded(a.path)
			a.from, a.length = i*(part-lap)+vary.below(150), part+lap-150-vary.below(150)
			as = append(as, a)
		}
	}
	return append(ms, as...)
}

// n is the reel's place among all.
func (r reel) n() int {
	for i := range reels {
		if reels[i].number == r.number {
			return i
		}
	}
	return len(reels)
}

// find is the recording at a path of a set.
func find(set, path string) (recording, bool) {
	for _, r := range append(reels[:len(reels):len(reels)], newReel) {
		for _, x := range r.recordings() {
			if x.set == set && x.path == path {
				return x, true
			}
		}
	}
	return recording{}, false
}

// made is the file's time: the reels came in over the half year before now, the
// access files were made four days after their masters. Nothing is younger than
// four days but the file that is still worked on.
func (x recording) made(now time.Time) time.Time {
	if x.set == access && x.path == inWindow {
		return past(now, 20*time.Hour)
	}
	ago := time.Duration(178-13*x.n) * 24 * time.Hour
	vary := seeded(x.set + x.path)
	ago -= time.Duration(vary.below(8*3600)) * time.Second
	if x.set == access {
		ago -= 4 * 24 * time.Hour
	}
	return past(now, ago)
}

// transferred is the date in the master itself. It doesn't move with the day on
// which the world is made, or the bytes would.
func (x recording) transferred() string {
	return time.Date(2024, time.February, 5+3*x.n, 0, 0, 0, 0, time.UTC).Format(time.DateOnly)
}
