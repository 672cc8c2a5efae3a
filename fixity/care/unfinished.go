package care

import (
	"path"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
)

// Transfer is what is known of a version's bytes since they were looked at: a file
// that was taken in, a change that is signed off, a save.
type Transfer struct {
	Role  fixity.Role
	Path  string // its ending says whether it should hold sound
	Size  int64
	Sound sound.Sound
	Notes []sound.Note
}

// Flaw says why a transfer is unfinished, a closed set.
type Flaw string

// Flaws of transfers.
const (
	FlawEmpty    Flaw = "empty"     // not a single byte
	FlawNoHeader Flaw = "no-header" // its name says sound, its bytes don't
	FlawNotWhole Flaw = "not-whole" // cut short, or not complete: see Lack.Code
	FlawSilent   Flaw = "silent"    // exact digital silence for too much of it
)

// Lack is one thing that makes a transfer unfinished.
type Lack struct {
	Flaw    Flaw
	Code    sound.Code    // of FlawNotWhole; of FlawNoHeader, Blank if there are only zeros
	Missing int64         // bytes, where that is known
	Silent  time.Duration // of FlawSilent: in all
	Stretch time.Duration // and the longest stretch
}

// Bounds of digital silence: a tape gives none. *Common practice.*
const (
	SilentShare   = 0.5         // of the whole file
	SilentStretch = time.Minute // in a master
)

// Unfinished says what is lacking in a transfer, nil if nothing is known to be. It is
// about sound files: by their header, or by the ending of their name. What isn't known
// doesn't count: FLAC that was not decoded, a file in a code that isn't taken apart.
func Unfinished(x Transfer) []Lack {
	heard := x.Sound.Format != sound.Opaque
	named, apart := soundName(x.Path)
	switch {
	case !heard && !named:
		return nil
	case !heard && x.Size == 0:
		return []Lack{{Flaw: FlawEmpty}}
	}
	var out []Lack
	silent, stretch := x.Sound.Silent, x.Sound.Stretch
	noted := time.Duration(0)
	for _, n := range x.Notes {
		switch {
		case n.Code == sound.Blank:
			out = append(out, Lack{Flaw: FlawNoHeader, Code: n.Code})
		case n.Code == sound.Zeros:
			noted, stretch = noted+n.To-n.From, max(stretch, n.To-n.From)
		case n.Meaning().Weight == sound.Breaks || n.Code == sound.HeaderOpen:
			out = append(out, Lack{Flaw: FlawNotWhole, Code: n.Code, Missing: missing(n)})
		}
	}
	if !heard && apart && len(out) == 0 {
		out = append(out, Lack{Flaw: FlawNoHeader})
	}
	silent = max(silent, noted)
	half := x.Sound.Duration > 0 && float64(silent) > SilentShare*float64(x.Sound.Duration)
	if half || x.Role == fixity.Master && stretch >= SilentStretch {
		out = append(out, Lack{Flaw: FlawSilent, Silent: silent, Stretch: stretch})
	}
	return out
}

// missing is how many bytes a note says are lacking at the end, 0 if it doesn't.
func missing(n sound.Note) int64 {
	switch n.Code {
	case sound.DataBeyondEnd, sound.ChunkBeyondEnd, sound.FormBeyondEnd:
		return n.Length
	}
	return 0
}

// soundName says that a file's name is that of a sound file; apart, that files of this
// kind are taken apart here, so that one without a header isn't what it says.
func soundName(p string) (named, apart bool) {
	switch strings.ToLower(path.Ext(p)) {
	case ".wav", ".wave", ".bwf", ".rf64", ".bw64", ".aif", ".aiff", ".aifc", ".flac":
		return true, true
	case ".mp2", ".mp3", ".m4a", ".aac", ".ogg", ".oga", ".opus", ".wma", ".w64", ".caf", ".dsf", ".dff", ".wv", ".ape", ".au", ".snd":
		return true, false
	}
	return false, false
}

// LackFacts are what is lacking, as findings tell it.
func LackFacts(lacks []Lack) []fixity.Fact {
	var out []fixity.Fact
	for _, l := range lacks {
		out = append(out, fixity.Fact{Is: fixity.Lacks, Code: string(l.Flaw), Note: string(l.Code), Bytes: l.Missing, For: l.Silent, Stretch: l.Stretch})
	}
	return out
}
