package report

import (
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// Known is what steps need to know of a finding's file.
type Known struct {
	File     ledger.File
	Copies   []ledger.Copy
	Same     []ledger.Copy    // of other files with the version's bytes
	Others   map[int64]string // what these files are called, by number
	Versions []Length
	Found    map[string]string // by store: where a misplaced copy lies
	Boxes    map[int64]string  // by carrier: the box of a disc
	// Unfinished says that the version under care isn't a whole recording, and that nobody
	// has settled that.
	Unfinished bool
	// InTheWay are, by store, the copies of other renamed files that lie in the place to which
	// the file's copy is to be moved, and in theirs.
	InTheWay map[string]Row
}

// Row is a row of copies that lie under former names of their files, the first of them in the
// place that another is to be moved to, and each in the place that the one before it lies in
// the way of. Ring says that the place of the last one is taken by that other.
type Row struct {
	Moves []Move
	Ring  bool
}

// Move is from where to where a copy in a store is moved.
type Move struct{ From, To string }

// longestRow is how many copies in each other's way are told of.
const longestRow = 20

// inTheWay is what lies in the place to which a copy under its file's former name is to be
// moved; no row if nothing does, or if it is no copy of a renamed file.
func inTheWay(t *ledger.Tx, own ledger.Copy, file ledger.File) (r Row, err error) {
	for to := file.Path; len(r.Moves) < longestRow; {
		c, err := t.Copies.At(own.Store, own.Set, to)
		switch {
		case errors.Is(err, fixity.ErrNotFound), err == nil && !c.Lies():
			return r, nil
		case err != nil:
			return Row{}, err
		case c.File == own.File:
			r.Ring = true
			return r, nil
		}
		f, err := t.Files.Get(c.File)
		if err != nil || f.Path == c.At {
			return Row{}, err
		}
		r.Moves = append(r.Moves, Move{c.At, f.Path})
		to = f.Path
	}
	return Row{}, nil
}

// Length is how long a version is, and where it comes from.
type Length struct {
	N, Size    int64
	Duration   time.Duration // of its sound; 0: not known
	By, Reason string
	At         time.Time
}

// know reads what steps need to know of a file.
func know(t *ledger.Tx, file int64) (k Known, err error) {
	if k.File, err = t.Files.Get(file); err != nil {
		return k, err
	}
	if k.Copies, err = t.Copies.Of(file); err != nil {
		return k, err
	}
	if k.Same, err = t.Copies.SameBytes(file, k.File.Version); err != nil {
		return k, err
	}
	if k.Others, err = t.Files.Names(k.Same); err != nil {
		return k, err
	}
	vs, err := t.Files.Versions(file)
	if err != nil {
		return k, err
	}
	for _, v := range vs {
		k.Versions = append(k.Versions, Length{v.N, v.Size, v.Length, v.By, WhyVersion(v, vs), v.At})
	}
	fs, err := t.Findings.Of(file)
	if err != nil {
		return k, err
	}
	k.Found, k.Boxes = map[string]string{}, map[int64]string{}
	for _, f := range fs {
		k.Unfinished = k.Unfinished || f.Open() && f.Kind == "unfinished"
		if f.Open() && f.FoundAt != "" {
			k.Found[f.Store] = f.FoundAt
		}
	}
	for _, c := range append(slices.Clone(k.Copies), k.Same...) {
		if c.Carrier == 0 {
			continue
		}
		d, err := t.Discs.Get(c.Carrier)
		if err != nil {
			return k, err
		}
		k.Boxes[c.Carrier] = ledger.BoxName(d.Box)
	}
	for _, f := range fs {
		if !f.Open() || !FormerName(f) {
			continue
		}
		own, _ := k.own(f)
		r, err := inTheWay(t, own, k.File)
		if err != nil {
			return k, err
		}
		if len(r.Moves) > 0 {
			if k.InTheWay == nil {
				k.InTheWay = map[string]Row{}
			}
			k.InTheWay[f.Store] = r
		}
	}
	return k, nil
}

// own is the copy that a finding is about; false if it isn't known.
func (k Known) own(f ledger.Finding) (ledger.Copy, bool) {
	for _, c := range k.Copies {
		if c.Store == f.Store && c.Carrier == f.Carrier {
			return c, true
		}
	}
	return ledger.Copy{}, false
}

func (k Known) version(n int64) (Length, bool) {
	for _, v := range k.Versions {
		if v.N == n {
			return v, true
		}
	}
	return Length{}, false
}

// donor is a copy that is known to be intact.
type donor struct {
	copy  ledger.Copy
	place string
	read  bool   // a reading showed it; if not, only a service's report did
	other string // the file that it is a copy of, if that is another one with the same bytes
}

// rank is lower for what is known better: read since, read, reported.
func (d donor) rank() int {
	switch {
	case !d.read:
		return 2
	case d.copy.DueAtOnce():
		return 1
	}
	return 0
}

// donors are the copies from which a finding's file may be taken, the best first: what
// is known best, and of these a drive that is there before a service, and that before a drive that
// must be fetched.
func (m Matter) donors(f ledger.Finding) []donor {
	k := m.Files[f.File]
	var out []donor
	add := func(c ledger.Copy, place, other string) {
		out = append(out, donor{copy: c, place: place, read: c.Read.OK && !c.Read.At.IsZero(), other: other})
	}
	for _, store := range Donors(f, m.Rules) {
		for _, c := range k.Copies {
			if c.Store != store || c.Carrier == f.Carrier && c.Store == f.Store || !care.HoldsVersion(c.State) || c.Lesser || c.Carrier != 0 && c.Burned != k.File.Version {
				continue
			}
			if place := m.PlaceOf(f, c); place != "" {
				add(c, place, "")
			}
		}
	}
	if len(out) == 0 && len(f.Facts.SameBytes) > 0 {
		for _, c := range k.Same {
			if m.Rules.Counts(c, c.Held) {
				add(c, m.placeOfSame(c, f.File), k.Others[c.File])
			}
		}
	}
	slices.SortStableFunc(out, func(a, b donor) int { return repair.Better(m.Rules, a.copy, b.copy) })
	return out
}

// placeOfSame is where a copy of another file with the same bytes lies.
func (m Matter) placeOfSame(c ledger.Copy, file int64) string {
	if c.Carrier != 0 {
		return m.disc(c.Carrier, c.Disc, file) + ": " + Show(c.At)
	}
	return m.Where.path(c.Store, c.Set, c.At)
}

// sure are the donors that a reading showed to be intact.
func sure(ds []donor) []donor {
	return slices.DeleteFunc(slices.Clone(ds), func(d donor) bool { return !d.read })
}

// PlaceOf is the whole path of a copy of a finding's file; "" if it isn't known where it
// lies.
func (m Matter) PlaceOf(f ledger.Finding, c ledger.Copy) string {
	at := c.At
	if at == "" {
		at = f.Path
	}
	if c.Carrier != 0 {
		return m.disc(c.Carrier, c.Disc, f.File) + ": " + Show(at)
	}
	if c.State == fixity.Misplaced {
		if at = m.Files[f.File].Found[c.Store]; at == "" {
			return ""
		}
	}
	return m.Where.path(c.Store, f.Set, at)
}

// place is where the copy that a finding is about lies or should lie.
func (m Matter) place(f ledger.Finding) string {
	c, ok := m.Files[f.File].own(f)
	if !ok || c.Carrier != 0 || c.At == "" {
		return m.Where.path(f.Store, f.Set, f.Path)
	}
	if _, filed := m.Rules.Filing(f.Store, f.Set); filed && c.Size < 0 {
		// It was never seen there: only the store's own pattern says where it belongs.
		return m.Where.path(f.Store, f.Set, "") + " (in the folder and under the name that this store gives to " + f.Path + ")"
	}
	return m.Where.path(c.Store, f.Set, c.At)
}

// disc is a disc as it is written on it, with its box.
func (m Matter) disc(carrier int64, name string, file int64) string {
	if box := m.Files[file].Boxes[carrier]; box != "" {
		return "disc " + name + " (box " + box + ")"
	}
	return "disc " + name
}

func (m Matter) when(t time.Time) string {
	if m.When != nil {
		return m.When(t)
	}
	return Local(t)
}

// on names the store of a copy, or its disc.
func (m Matter) on(c ledger.Copy, file int64) string {
	if c.Carrier != 0 {
		return m.disc(c.Carrier, c.Disc, file)
	}
	return m.name(c.Store)
}

// good says which copy is good, and when it was last read: before anything is said of
// the damaged one.
func (m Matter) good(d donor, f ledger.Finding) Saying {
	how := ""
	if d.copy.Read.Cache == fixity.Allowed {
		how = ", though the system's cache may have answered instead of the drive"
	}
	s := text(fmt.Sprintf("The GOOD copy is on the %s: it was intact when last read, %s%s.", m.on(d.copy, f.File), m.when(d.copy.Read.At), how))
	if d.other != "" {
		s = text(fmt.Sprintf("No copy of this file is intact. But another file has the same checksum: it stands after FROM. It is on the %s, and was intact when last read, %s%s.", m.on(d.copy, f.File), m.when(d.copy.Read.At), how))
	}
	rule, _ := m.Rules.Store(d.copy.Store)
	now := "now"
	if rule.Visiting {
		now = "then"
		s = text(s, fmt.Sprintf(" Connect the %s first.", m.name(d.copy.Store)))
	}
	switch {
	case !d.copy.DueAtOnce():
	case m.recoverable(f) != nil:
		s = text(s, fmt.Sprintf(" Firmus reads it again %s, and once more before it is used.", now))
	default:
		s = text(s, fmt.Sprintf(" Firmus reads it again %s: copy it only once ", now), show(f.ID), " shows a newer date for it.")
	}
	return s
}

// onlyReported is what comes before anything is copied if nobody has read a good copy.
func (m Matter) onlyReported(f ledger.Finding, ds []donor) []Step {
	again := text("If it is intact, ", show(f.ID), " names both places. Copy only then.")
	if len(ds) == 0 { // nothing is known of the copies themselves
		return []Step{say(fmt.Sprintf("Have the copy on the %s read first: ", fixity.And(m.names(f.IntactIn))), Order{Act: ReadStore, Stores: f.IntactIn, Full: true}, ". ", again)}
	}
	d := ds[0]
	set, under := f.Set, f.Path
	if d.other != "" {
		set, under = d.copy.Set, d.copy.At
	}
	return []Step{
		{Text: text(fmt.Sprintf("Copy nothing yet. The service reported the right checksum for the copy on the %s, %s. Nobody has read that copy:", m.on(d.copy, f.File), m.when(d.copy.Reported.At))),
			Lines: []Line{{"IT LIES AT", d.place}}},
		{Text: text("Have it read: ", Order{Act: ReadStore, Stores: []string{d.copy.Store}, Full: true, Set: set, Under: under}), Then: again},
	}
}
