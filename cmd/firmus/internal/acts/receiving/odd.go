package receiving

import (
	"fmt"

	"firmus/fixity/damage"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// SoundNote is something odd about a file itself, told at intake.
type SoundNote struct {
	Set   string     `json:"set"`
	Path  string     `json:"path"`
	Code  sound.Code `json:"code"`
	Means string     `json:"means"`
	Whole bool       `json:"whole"` // false: the file is not whole
}

// worthTelling are the notes that a person should hear of at intake: all but that a
// file is of no kind that is known here. Stretches of silence are one note.
func worthTelling(set, path string, notes []sound.Note) []SoundNote {
	var out []SoundNote
	var silent []sound.Note
	more := int64(0)
	for _, n := range notes {
		m := n.Meaning()
		switch {
		case n.Code == sound.Zeros:
			silent = append(silent, n)
			continue
		case n.Code == sound.ZerosMore:
			more += n.Count
			continue
		case n.Code == sound.OpaqueFile || m.Weight == sound.Odd || n.Code == sound.PaddingBits || n.Code == sound.FLACNoMD5:
			continue
		}
		out = append(out, SoundNote{set, ledger.DisplayPath(path), n.Code, m.Means + stretch(n), m.Weight != sound.Breaks})
	}
	if len(silent) > 0 {
		out = append(out, SoundNote{set, ledger.DisplayPath(path), sound.Zeros, silent[0].Meaning().Means + stretches(silent, more), true})
	}
	return out
}

// stretch is where in the recording a note is, in words; "" if it isn't of a stretch.
func stretch(n sound.Note) string {
	if n.To <= n.From {
		return ""
	}
	return fmt.Sprintf(", %s to %s", damage.Clock(n.From), damage.Clock(n.To))
}

// named is how many stretches of a file are named; the rest is counted.
const named = 5

func stretches(notes []sound.Note, more int64) string {
	said := ""
	for _, n := range notes[:min(len(notes), named)] {
		said += stretch(n)
	}
	if more += int64(max(0, len(notes)-named)); more > 0 {
		said += fmt.Sprintf(" and %d more", more)
	}
	return said
}
