package report

import (
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// UTC is a time in a sentence that is told without a person's zone, as in JSON.
func UTC(t time.Time) string { return t.UTC().Format("2 Jan 2006 15:04:05 UTC") }

// Told is how a finding was seen, in words; when says its times, nil as in JSON.
func Told(f ledger.Finding, when func(time.Time) string) string {
	switch f.Kind {
	case fixity.TooFew:
		return fmt.Sprintf("%s had fewer independent copies than the rule asks, for longer than it allows", Have(f.Count, "file"))
	case fixity.Late:
		return fmt.Sprintf("%s not read within the promised time", Were(f.Count, "file"))
	}
	saved := f.Facts.Tells(fixity.Held) && !f.Facts.Tells(fixity.SignKept) && f.Anatomy != fixity.Zeroed && f.Anatomy != fixity.CutShort
	w := teller{when: when, disputed: fixity.State(f.Kind) == fixity.Disputed || saved || swapped(f) != ""}
	return w.facts(slices.DeleteFunc(slices.Clone(f.Facts.Seen), func(x fixity.Fact) bool {
		return x.Is == fixity.Held && f.Facts.Tells(fixity.SignKept) // that says it shorter
	}))
}

// Have is a number with its noun and "has" or "have"; Were the same with "was" or "were".
func Have(n int64, noun string) string { return fixity.Counted(n, noun, "has", "have") }

// Were is a number of things that were.
func Were(n int64, noun string) string { return fixity.Counted(n, noun, "was", "were") }

// Facts are facts in words, one behind the other; when says their times, nil as in JSON.
func Facts(fs []fixity.Fact, when func(time.Time) string) string {
	return teller{when: when}.facts(fs)
}

func (w teller) facts(fs []fixity.Fact) string {
	var b strings.Builder
	for _, x := range fs {
		if b.Len() > 0 {
			b.WriteString(" ")
		}
		b.WriteString(w.fact(x))
		if !strings.HasSuffix(b.String(), ":") {
			b.WriteString(";")
		}
	}
	return strings.TrimRight(b.String(), ";")
}

// Fact is one fact in words.
func Fact(x fixity.Fact) string { return Facts([]fixity.Fact{x}, nil) }

// Each is each of some facts in words.
func Each(fs []fixity.Fact) (out []string) {
	for _, x := range fs {
		out = append(out, Fact(x))
	}
	return out
}

// Loss says in words what a change of a file lost, "" if nothing.
func Loss(l care.Loss) string { return Facts(l.Facts(), nil) }

// teller puts facts into words.
type teller struct {
	when     func(time.Time) string
	disputed bool // nothing says yet that the bytes which were read are wrong
}

// sentences are those of facts that are more than the meaning of their kind.
var sentences = map[fixity.FactKind]func(teller, fixity.Fact) string{
	fixity.SameWrong: func(w teller, x fixity.Fact) string {
		bytes := "the same wrong bytes"
		if w.disputed {
			bytes = "the same bytes both times, of no known version of this file"
		}
		return fmt.Sprintf("read twice, %s%s: %s", w.times(x), past(x), bytes)
	},
	fixity.Held: func(w teller, x fixity.Fact) string {
		s := fmt.Sprintf("it has %s, dated %s", fixity.Count(x.Bytes, "byte"), w.time(x.Date))
		if x.For > 0 {
			s += ", and lasts " + Duration(x.For)
		}
		return s
	},
	fixity.ReadingsVary: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("read twice, %s%s: the two readings disagree", w.times(x), past(x))
	},
	fixity.OneFailed: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("read twice, %s: one reading failed, the other did not", w.times(x))
	},
	fixity.NotGiven: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("tried twice, %s: %s", w.times(x), Plainly(said(x)))
	},
	fixity.ThenOthers: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("read three times, %s: the same wrong bytes twice, then others; the service reports one checksum all along", w.times(x))
	},
	fixity.FirstOther: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("read three times, %s%s: the first reading, when it was taken in, gave other bytes than the two later ones; Firmus now goes by those two", w.times(x), past(x))
	},
	fixity.HoldsVersion: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("read %s: holds version %d", w.times(x), x.Version)
	},
	fixity.NoSave: func(teller, fixity.Fact) string {
		return "somebody saved it while it was being edited, but this is no new version:"
	},
	fixity.Lacks: func(_ teller, x fixity.Fact) string { return lack(x) },
	fixity.Shorter: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("it is %s long, and was %s", Duration(x.For), Duration(x.Was))
	},

	fixity.NotShown: func(_ teller, x fixity.Fact) string {
		if x.Count > 1 {
			return "two complete listings do not show it"
		}
		return fixity.Means("fact", string(x.Is))
	},
	fixity.Instead: func(_ teller, x fixity.Fact) string { return instead[x.Code] },
	fixity.InBin:   teller.inBin,
	fixity.MovedTo: func(_ teller, x fixity.Fact) string {
		switch {
		case len(x.Places) == 0:
			return fmt.Sprintf("moved out of the folder; it is named %q", said(x))
		case x.Set == "":
			return "moved or renamed"
		}
		return fmt.Sprintf("moved to %q", x.Set+"/"+shown(x.Places[0]))
	},
	fixity.BytesRight: func(w teller, x fixity.Fact) string {
		return "read where it lies" + w.after(x) + ": its bytes are the right ones"
	},
	fixity.NotReadThere: func(w teller, x fixity.Fact) string {
		return "found by size, time and name; it could not be read where it lies" + w.after(x)
	},
	fixity.SaidOnly: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("the service reports the right checksum of what lies at %q, but other bytes were read there%s", at1(x), w.after(x))
	},
	fixity.NameFits: func(_ teller, x fixity.Fact) string {
		s := "ambiguous: by its name it may be " + anyOf(x)
		if x.Count > 0 {
			s += fmt.Sprintf(", and so may what lies at %d other places", x.Count)
		}
		return s
	},
	fixity.NameTaken: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("by its name it is %q once more, which has its place already", at1(x))
	},
	fixity.MayLieAt: func(_ teller, x fixity.Fact) string { return "ambiguous: by its name it may lie at " + anyOf(x) },
	fixity.StraySince: func(w teller, x fixity.Fact) string {
		return fmt.Sprintf("%s, first seen %s", fixity.Count(x.Bytes, "byte"), w.times(x))
	},
	fixity.Exchanged: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("a swap with %q: each has the bytes of the other", at1(x))
	},
	fixity.BytesOf: func(_ teller, x fixity.Fact) string { return "these are the bytes of " + x.Set + "/" + at1(x) },
	fixity.PutBackFrom: func(w teller, x fixity.Fact) string {
		switch {
		case x.Store == "":
			return "moved back to its place " + w.times(x)
		case x.Code == fixity.Merged:
			return fmt.Sprintf("the good parts in %s were joined and put in its place %s", x.Store, w.times(x))
		case len(x.Places) == 0:
			return fmt.Sprintf("copied from %s %s", x.Store, w.times(x))
		}
		return fmt.Sprintf("the bytes of %s were put in its place %s; what lay there is kept as %q", x.Store, w.times(x), at1(x))
	},
	fixity.InStep: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("the same in %s, which is kept in step with it: one act, carried over. Stop the program that does so before anything is put back", x.Store)
	},
	fixity.Compared: func(_ teller, x fixity.Fact) string {
		s := fmt.Sprintf("compared byte by byte with the copy in %s: %s", x.Store, fixity.Counted(x.Bytes, "byte", "differs", "differ"))
		if x.Bits > 0 {
			s += ", " + fixity.Count(x.Bits, "bit") + " turned"
		}
		return s
	},
	fixity.StoresDiffer: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("%s and %s hold different bytes", x.Store, x.Other)
	},
	fixity.ListDiffers: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("%s gives another checksum than the bytes in %s have", said(x), x.Store)
	},

	fixity.RootFails: func(_ teller, x fixity.Fact) string { return root(x, Plainly(said(x))) },
	fixity.SignedOut: func(_ teller, x fixity.Fact) string { return root(x, Plainly(said(x))) },
	fixity.NoFolder: func(_ teller, x fixity.Fact) string {
		text := "the folder doesn't exist, and was never there. Put its path right in the configuration, or connect the drive"
		switch x.Code {
		case fixity.WasThere:
			text = "the folder doesn't exist. It was there before: connect the drive, or put its path right in the configuration"
		case fixity.OnlyOne:
			text += fmt.Sprintf(". Until then there is no second copy of %s", x.Set)
		}
		return root(x, text)
	},
	fixity.NoMarker:  func(_ teller, x fixity.Fact) string { return root(x, Unmarked(x.Store, x.Other)) },
	fixity.Nothing:   func(_ teller, x fixity.Fact) string { return root(x, "nothing lies there") },
	fixity.NoneKnown: func(_ teller, x fixity.Fact) string { return root(x, "none of the expected files lies there") },
	fixity.FewKnown: func(_ teller, x fixity.Fact) string {
		return root(x, "too few of the known files lie there with their size")
	},
	fixity.OnlyMarker: func(_ teller, x fixity.Fact) string {
		return root(x, fmt.Sprintf("nothing but the marker lies there, where %s expected", fixity.Counted(x.Count, "file", "is", "are")))
	},
	fixity.Emptied: func(_ teller, x fixity.Fact) string {
		return root(x, fmt.Sprintf("the service shows nothing in the folder, where %s expected. Look in the service's own pages whether the folder was emptied or moved, and by whom, and have it put back: what was deleted there may be kept for some days only", fixity.Counted(x.Count, "file", "is", "are")))
	},
	fixity.OtherSet: func(_ teller, x fixity.Fact) string {
		return root(x, fmt.Sprintf("its marker says that it holds the set %q", said(x)))
	},
	fixity.OtherStore: func(_ teller, x fixity.Fact) string {
		return root(x, "its marker is of another store. If it is this one, say so with "+adopt(x))
	},
	fixity.OtherOwner: func(_ teller, x fixity.Fact) string {
		return root(x, fmt.Sprintf("its marker is of other holdings (%s), or of an earlier ledger of these. Nothing is written there. If it is this store all the same, say so with %s", said(x), adopt(x)))
	},
	fixity.OtherFolder: func(_ teller, x fixity.Fact) string {
		return root(x, "the folder is another one than before. If that is meant, say so with "+adopt(x))
	},

	fixity.ListFails: func(_ teller, x fixity.Fact) string { return Plainly(said(x)) },
	fixity.ListLarge: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("it has %s, and is not what was written there", fixity.Count(x.Bytes, "byte"))
	},
	fixity.LineWrong: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("line %d gives a checksum for %q that no version of it has", x.Count, at1(x))
	},
	fixity.LineForeign: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("line %d names %q, which is not under care", x.Count, at1(x))
	},
	fixity.OnDisc: teller.onDisc,
	fixity.DiscSectors: func(_ teller, x fixity.Fact) string {
		s := fmt.Sprintf("%s of %s sectors can't be read", fixity.Number(x.Count), fixity.Number(x.Of))
		if x.Before > 0 {
			s += fmt.Sprintf(", %s of them of its directory", fixity.Number(x.Before))
		}
		return s
	},
	fixity.DiscVersion: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("it is version %d of the file, and the disc is registered with version %d", x.Version, x.Of)
	},
	fixity.DiscElse: func(_ teller, x fixity.Fact) string {
		if len(x.Said) == 0 {
			return "what it holds is not what was burned on this disc"
		}
		return "its contents are those of " + said(x)
	},
	fixity.DiscLevel: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("the same recording with other samples on the whole disc: %+.1f dB", float64(x.Count)/1000)
	},
	fixity.DiscDirectory: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("the disc's directory is damaged: %s; read by its %s names, the bytes of its files are as burned", said(x), trees[x.Code])
	},
	fixity.Retries: func(w teller, x fixity.Fact) string {
		if len(x.At) < 2 {
			return fixity.Means("fact", string(x.Is))
		}
		return fmt.Sprintf("%s of %s sectors needed several tries, %s; in the same drive at the same speed it was %s, %s. The control disc read well both times",
			fixity.Number(x.Count), fixity.Number(x.Of), w.time(x.At[0]), fixity.Number(x.Before), w.time(x.At[1]))
	},
	fixity.CaseOnly: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("names in %s that differ from those in %s in case only: %d, such as %q for %q. They are taken for the same; a system that tells case apart doesn't",
			x.Store, x.Set, x.Count, at1(x), at2(x))
	},
	fixity.ByDigest: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("files of %s that were found in %s by their checksum, as no field in both names tells them apart: %d, such as %q at %q. From now on they are known by these names",
			x.Set, x.Store, x.Count, at2(x), at1(x))
	},
	fixity.Public: func(_ teller, x fixity.Fact) string {
		var in []string
		for _, p := range x.Places {
			in = append(in, Show(string(p)))
		}
		text := fmt.Sprintf("%s of %s in %s can be read by everybody who has a link to them", fixity.Count(x.Count, "restricted file"), x.Set, x.Store)
		if len(in) > 0 {
			text += " (in " + fixity.And(in) + ")"
		}
		return text + ". End that sharing in the service"
	},
	fixity.NotNow: func(_ teller, x fixity.Fact) string {
		is, such, them := "are", ", such as "+Show(at1(x)), "them"
		if x.Count == 1 {
			is, such, them = "is", " ("+Show(at1(x))+")", "it"
		}
		return fmt.Sprintf("%s of %s in %s %s due and can't be read now%s: the service keeps %s in an archive class. Have %s restored in the service's console, or let this store be read less often (read_within)",
			fixity.Count(x.Count, "file"), x.Set, x.Store, is, such, them, them)
	},
	fixity.SuchAs: func(_ teller, x fixity.Fact) string { return "such as " + x.Set + "/" + at1(x) },
	fixity.Superseded: func(_ teller, x fixity.Fact) string {
		return fmt.Sprintf("version %d took its place; nothing is known to be lacking in it", x.Version)
	},
	fixity.RowSays:       func(_ teller, x fixity.Fact) string { return rowSays(x) },
	fixity.RowTells:      func(_ teller, x fixity.Fact) string { return rowSays(x) },
	fixity.RegisterFails: func(w teller, x fixity.Fact) string { return w.registerFails(x) },
	fixity.ColumnTorn:    func(_ teller, x fixity.Fact) string { return columnTorn(x) },
	fixity.ColumnFilled:  func(_ teller, x fixity.Fact) string { return columnFilled(x) },
	fixity.AsTold:        func(_ teller, x fixity.Fact) string { return said(x) },
}

// past says how the system's memory was treated; nothing of what a service gave.
func past(x fixity.Fact) string {
	if x.Cache == "" {
		return ""
	}
	return ", " + fixity.Means("cache", string(x.Cache))
}

func (w teller) fact(x fixity.Fact) string {
	if say := sentences[x.Is]; say != nil {
		return say(w, x)
	}
	return fixity.Means("fact", string(x.Is))
}

func (w teller) time(t time.Time) string {
	if w.when == nil {
		return UTC(t)
	}
	return w.when(t)
}

// times are when a copy was read, one after the other.
func (w teller) times(x fixity.Fact) string {
	var out []string
	for _, t := range x.At {
		out = append(out, w.time(t))
	}
	return fixity.And(out)
}

// after is when something was read, behind the sentence that says so.
func (w teller) after(x fixity.Fact) string {
	if len(x.At) == 0 {
		return ""
	}
	return ", " + w.times(x)
}

func (w teller) inBin(x fixity.Fact) string {
	if x.Code == "version" {
		s := "deleted"
		if len(x.At) > 0 {
			s += " on " + w.times(x)
		}
		if s += ", and an earlier version is kept there"; !x.Until.IsZero() {
			s += " until " + w.time(x.Until)
		}
		return s
	}
	s := "it lies in the bin"
	if x.Code == "folder" {
		s += ", with a folder above it"
	}
	switch {
	case len(x.At) > 0:
		s += " since " + w.times(x)
	case x.Count > 0:
		s += fmt.Sprintf("; the service does not say since when, and deletes what has lain there for %s", fixity.Count(x.Count, "day"))
	default:
		s += "; the service does not say since when"
	}
	if !x.Until.IsZero() {
		s += ", and by the service's own rule is deleted on " + w.time(x.Until)
	}
	return s
}

func (w teller) onDisc(x fixity.Fact) string {
	how := "as an image"
	if x.Drive != "" {
		how = "in " + x.Drive
	}
	s := fmt.Sprintf("disc %s, read %s%s", x.Disc, how, w.after(x))
	if len(x.Said) > 0 {
		s += ": " + said(x)
	}
	var places []string
	for _, p := range x.Sectors {
		place := fmt.Sprintf("sector %d", p.LBA)
		if p.Count > 1 {
			place = fmt.Sprintf("sectors %d to %d", p.LBA, p.LBA+p.Count-1)
		}
		if p.Track > 0 && p.Time != "" {
			place += fmt.Sprintf(" (disc track %d, %s)", p.Track, p.Time)
		}
		places = append(places, place)
	}
	if int64(len(places)) < x.Of {
		places = append(places, "and more")
	}
	if len(places) > 0 {
		s += "; " + strings.Join(places, ", ")
	}
	return s
}

// trees are the trees of a disc, by their codes.
var trees = map[string]string{"rock-ridge": "Rock Ridge", "udf": "UDF", "joliet": "Joliet", "iso9660": "ISO 9660"}

// instead says what lies in the place of a file.
var instead = map[string]string{
	"link":     "a link lies there instead",
	"special":  "something that is no ordinary file lies there instead",
	"online":   "only a placeholder lies there: its bytes are online only, so it is no copy",
	"folder":   "a folder lies in its place; of the file itself:",
	"shortcut": "a shortcut lies in its place; of the file itself:",
	"document": "a document of the service's own lies in its place; of the file itself:",
}

// MoveAway is what to do with something that lies in a file's place and is no file, by its
// code; "" if nothing is to be moved.
func MoveAway(code string) string {
	switch code {
	case "link", "special", "folder":
		return "Look at what it is, and move it out of the store."
	case "online":
		return "Have the program that keeps the folder in step bring its bytes to this computer, and delete nothing."
	}
	return ""
}

// lack is one thing that is lacking in a recording.
func lack(x fixity.Fact) string {
	switch care.Flaw(x.Code) {
	case care.FlawEmpty:
		return "it is empty: there is not a single byte in it"
	case care.FlawNoHeader:
		if sound.Code(x.Note) == sound.Blank {
			return "it holds nothing but zeros, and no header of a sound file"
		}
		return "its name says that it is a sound file, but nothing in it does"
	case care.FlawSilent:
		return fmt.Sprintf("exact digital silence for %s of it, up to %s at a stretch", damage.Clock(x.For), damage.Clock(x.Stretch))
	}
	s := sound.Note{Code: sound.Code(x.Note)}.Meaning().Means
	if x.Bytes > 0 {
		s += fmt.Sprintf(" (%s lacking)", fixity.Counted(x.Bytes, "byte", "is", "are"))
	}
	return s
}

// Duration is a length of sound to the second, as a clock shows it.
func Duration(d time.Duration) string {
	return strings.TrimSuffix(damage.Clock(d.Round(time.Second)), ".000")
}

// root says of which root something is told.
func root(x fixity.Fact, why string) string {
	if x.Root == "" {
		return why
	}
	return fmt.Sprintf("%s (%s): %s", x.Root, x.Set, why)
}

// Unmarked says that a store's marker is not at its place, and what to do. other is the store
// whose marker lies there instead (fixity.NoMarker); "": none.
func Unmarked(store, other string) string {
	if other != "" {
		return fmt.Sprintf("the marker of store %[2]s lies there, and that of %[1]s doesn't. %[2]s is not at its own place, so the drives may have changed places: connect each where it belongs. If this is a copy of the drive of %[2]s, delete the file %[3]s%[2]s on it, and look again", store, other, fixity.MarkerPrefix)
	}
	return fmt.Sprintf("the store's marker is not there: another drive, or an empty folder where the drive should be mounted. If it is the store, say so with \"firmus store adopt %[1]s\". If it is a new drive in the place of the old one: \"firmus store replace %[1]s --reason …\"", store)
}

func adopt(x fixity.Fact) string { return fmt.Sprintf("\"firmus store adopt %s\"", x.Store) }

// said is what somebody else said, or a name.
func said(x fixity.Fact) string { return strings.Join(x.Said, "; ") }

func shown(p fixity.Path) string { return ledger.DisplayPath(string(p)) }

// at1 and at2 are the places that a fact names.
func at1(x fixity.Fact) string { return nthPlace(x, 0) }
func at2(x fixity.Fact) string { return nthPlace(x, 1) }

func nthPlace(x fixity.Fact, i int) string {
	if i >= len(x.Places) {
		return ""
	}
	return shown(x.Places[i])
}

// anyOf names the places of a fact, and how many there are besides.
func anyOf(x fixity.Fact) string {
	var out []string
	for _, p := range x.Places {
		out = append(out, fmt.Sprintf("%q", shown(p)))
	}
	if more := x.Of - int64(len(out)); more > 0 {
		out = append(out, fixity.Count(more, "other"))
	}
	return strings.Join(out, " or ")
}
