package discs

import (
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/discfs"
)

// causes say in a sentence why a file isn't simply intact.
var causes = map[string]string{
	burned.CauseChanged:     "the same recording with other samples: its level or more was changed on the way",
	burned.CauseAlike:       "the same recording, as far as a likeness can tell",
	burned.CauseOther:       "another recording",
	burned.CauseSaysNothing: "there is no sound in it to compare",
	burned.CauseNotCompared: "nothing to compare it with is within reach",
	burned.CauseRenamed:     "its bytes lie under another name",
	burned.CauseNotFound:    "its directory can't be read, so it isn't known whether it is there",
	burned.CauseShorter:     "it lies behind the end of the disc or image",
	burned.CauseSilent:      "the disc is silent where the file has a sound",
	burned.CauseReduced:     "sample for sample, each brought to 16 bits",

	string(cdda.ChannelsExchanged): "the left and right channels are exchanged",
	string(cdda.BytesExchanged):    "the bytes of each sample are exchanged: it plays as noise",
	string(cdda.LeftLost):          "the left channel is lost: it is silent on the disc",
	string(cdda.RightLost):         "the right channel is lost: it is silent on the disc",
	string(cdda.LeftInBoth):        "the right channel is lost: the left one stands in both",
	string(cdda.RightInBoth):       "the left channel is lost: the right one stands in both",
}

// Why says in a sentence why a file isn't simply intact; "" if it is.
func Why(f burned.Held) string {
	if s := soundIs(f); s != "" {
		return s
	}
	if f.Cause == burned.CauseChanged && f.Likeness.Alike > 0 {
		return fmt.Sprintf("the same recording with other samples: %+.1f dB", f.Likeness.GainDB)
	}
	return causes[f.Cause]
}

// mostPlaces is how many places a sentence tells.
const mostPlaces = 3

// soundIs says what can be said in numbers of a source on a disc of sound; "" if nothing.
func soundIs(f burned.Held) string {
	seconds := func(samples int64) string { return fmt.Sprintf("%.2f s", float64(samples)/cdda.Rate) }
	l := f.Likeness
	whole := fmt.Sprintf("%s of %s", seconds(l.AlikeSectors*cdda.SectorSamples), seconds(l.Sectors*cdda.SectorSamples+l.Lacking))
	switch f.Cause {
	case burned.CauseSkips:
		var at []string
		for i, b := range f.Breaks {
			if i == mostPlaces {
				at = append(at, "and "+fixity.Count(len(f.Breaks)-i, "more place"))
				break
			}
			p := fmt.Sprintf("at sector %d", b.LBA)
			if t := (cdda.Run{Track: b.Track, Frame: b.Frame}).Time(); t != "" {
				p = fmt.Sprintf("in disc track %d at %s", b.Track, t)
			}
			switch {
			case b.LeftOut > 0 && b.PutIn > 0:
				p += fmt.Sprintf(" %s are left out, and %s of something else are put in", seconds(b.LeftOut), seconds(b.PutIn))
			case b.LeftOut > 0:
				p += fmt.Sprintf(" %s are left out", seconds(b.LeftOut))
			case b.PutIn > 0:
				p += fmt.Sprintf(" %s are put in", seconds(b.PutIn))
			default:
				p += " something is played twice"
			}
			at = append(at, p)
		}
		return "the disc itself skips: " + strings.Join(at, "; ")
	case burned.CausePartlyAlike:
		return fmt.Sprintf("the same recording for %s; the rest isn't", whole)
	case burned.CauseAlike:
		if l.Sectors > 0 {
			return fmt.Sprintf("the same recording for %s, as far as a likeness can tell", whole)
		}
	case burned.CauseShorter:
		if f.Lacking > 0 {
			return fmt.Sprintf("the disc ends before it does, or has no room for it: %s of it lack", seconds(f.Lacking))
		}
	case burned.CauseChanged:
		if l.Sectors > 0 && !l.Even {
			return fmt.Sprintf("the same recording with other samples: %+.1f dB, and more than its level was changed", l.GainDB)
		}
	}
	return ""
}

// trees are the trees of a disc in words.
var trees = map[discfs.View]string{discfs.RockRidge: "Rock Ridge", discfs.UDF: "UDF", discfs.Joliet: "Joliet", discfs.Plain: "ISO 9660"}

// Directory says in a sentence what is wrong with a data disc's directory; "" if nothing.
func Directory(r burned.Result) string {
	if len(r.Directory) == 0 {
		return ""
	}
	return fmt.Sprintf("the disc's directory is damaged: %s; read by its %s names, the bytes of its files are as burned", strings.Join(r.Directory, "; "), trees[r.View])
}

// Where says in words where sectors lie.
func Where(p burned.Sectors) string {
	s := fmt.Sprintf("sector %d", p.LBA)
	if p.Count > 1 {
		s = fmt.Sprintf("sectors %d to %d", p.LBA, p.LBA+p.Count-1)
	}
	if p.Track > 0 && p.Time != "" {
		s += fmt.Sprintf(" (disc track %d, %s)", p.Track, p.Time)
	}
	return s
}

// Passes are the ways over a disc in words.
var Passes = map[optical.Pass]string{
	optical.First: "reading", optical.Again: "reading single sectors again", optical.Second: "reading the sound a second time", optical.Slow: "trying at the lowest speed",
}

// Box is a box's name without the word before it.
func Box(s string) string { return ledger.BoxName(s) }

// digits are a number within a box's name.
var digits = expr.Once(`[0-9]+`)

// CompareBoxes orders boxes as people do: 2 comes before 10, and discs without a box come
// last.
func CompareBoxes(a, b string) int {
	key := func(s string) string {
		if s = Box(s); s == "" {
			return "\uffff"
		}
		return digits().ReplaceAllStringFunc(strings.ToLower(s), func(n string) string { return fmt.Sprintf("%12s", n) })
	}
	return strings.Compare(key(a), key(b))
}
