package acts

import (
	"cmp"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
)

// heldFiles is what a check showed of each file, for the ledger.
func (e *Env) heldFiles(t *ledger.Tx, c *CheckedDisc, began, ended time.Time) (checkResult, []ledger.DiscHeld) {
	r := c.Report
	res := checkResult{Structure: r.Structure, Free: r.Free, Extra: len(r.Extra), Medium: c.About.Medium, Problems: r.Problems}
	for _, p := range r.UnreadableAt {
		res.Unreadable = append(res.Unreadable, p.DiscRange)
	}
	for _, p := range r.DifferingAt {
		res.Differing = append(res.Differing, p.DiscRange)
	}
	if r.Sound != nil {
		res.Located, res.Offset, res.Levelled = r.Sound.Located, r.Sound.Offset, r.Sound.Levelled
	}
	if c.Disc.ID == 0 {
		return res, nil
	}
	fs, err := t.DiscFiles(c.Disc.ID)
	if err != nil {
		return res, nil
	}
	before := map[int64]fileResult{}
	if n := len(c.Before); n > 0 {
		for _, f := range resultOf(c.Before[n-1]).Files {
			before[f.File] = f
		}
	}
	rule, _ := e.Rules.Store(c.Disc.Store)
	var held []ledger.DiscHeld
	for i, x := range fs {
		if i >= len(c.Files) {
			break
		}
		f := &c.Files[i]
		h := ledger.DiscHeld{File: x.File, State: f.State, Ranges: f.Ranges, More: f.More, Wrong: f.Wrong, Samples: c.Disc.Kind == ledger.AudioDisc, PlaceDue: rule.ReadWithin}
		h.NotRead = f.State == "" || !provesDisc(r.Verdict) || f.Weaker && f.State == fixity.Intact
		if h.Samples && len(h.Ranges) == 0 && f.State != fixity.Intact && f.State != "" {
			h.Ranges, h.More = e.soundRanges(t, x, *f, r)
			f.Ranges, f.More = h.Ranges, h.More
		}
		fr := fileResult{File: x.File, State: f.State, Ranges: h.Ranges, Why: f.Why}
		if !f.Wrong.IsZero() {
			fr.Wrong = f.Wrong.String()
		}
		if f.State == fixity.Altered && len(f.Blocks) > 0 {
			h.Anatomy = e.anatomy(t, x, *f)
		}
		if f.State != fixity.Intact && f.State != "" {
			h.Detail = e.detail(*c, *f, ended)
			res.Files = append(res.Files, fr)
			b := before[x.File]
			h.Same = b.State == fr.State && b.Wrong == fr.Wrong && slices.Equal(b.Ranges, fr.Ranges)
			if c.Decision != nil && r.Verdict == fixity.DiscChanged {
				h.Settled = c.Decision
			}
		}
		held = append(held, h)
	}
	return res, held
}

// anatomy says how a file on a data disc differs, by its block sums.
func (e *Env) anatomy(t *ledger.Tx, x ledger.DiscFile, f CheckedFile) fixity.Anatomy {
	blocks, err := t.Blocks(x.File, x.Version)
	if err != nil {
		return ""
	}
	vs, err := t.Versions(x.File)
	if err != nil {
		return ""
	}
	for _, v := range vs {
		if v.N == x.Version {
			size := f.Size
			if size == 0 && len(f.Blocks) == len(blocks) {
				size = v.Size
			}
			if size == 0 {
				return ""
			}
			return damage.FromBlocks(digest.Sums{Size: v.Size, Blocks: blocks}, digest.Sums{Size: size, Blocks: f.Blocks}).Anatomy
		}
	}
	return ""
}

// detail says how a file on a disc was seen.
func (e *Env) detail(c CheckedDisc, f CheckedFile, at time.Time) string {
	how := "as an image"
	if c.About.Drive != "" {
		how = "in " + c.About.Drive
	}
	s := fmt.Sprintf("disc %s, read %s, %s", c.Disc.Name(), how, at.UTC().Format("2006-01-02 15:04:05 UTC"))
	if f.Why != "" {
		s += ": " + f.Why
	}
	var places []string
	for _, p := range slices.Concat(c.Report.UnreadableAt, c.Report.DifferingAt) {
		if !slices.ContainsFunc(p.Files, func(i int) bool { return i < len(c.Files) && c.Files[i].File == f.File }) {
			continue
		}
		if len(places) == 3 {
			places = append(places, "and more")
			break
		}
		places = append(places, p.String())
	}
	if len(places) > 0 {
		s += "; " + strings.Join(places, ", ")
	}
	return s
}

// String says in words where sectors lie.
func (p DiscPlace) String() string {
	s := fmt.Sprintf("sector %d", p.LBA)
	if p.Count > 1 {
		s = fmt.Sprintf("sectors %d to %d", p.LBA, p.LBA+p.Count-1)
	}
	if p.Track > 0 && p.Time != "" {
		s += fmt.Sprintf(" (disc track %d, %s)", p.Track, p.Time)
	}
	return s
}

// soundRanges are the 64 KiB blocks of a file in which a disc's bad sectors of it lie.
func (e *Env) soundRanges(t *ledger.Tx, x ledger.DiscFile, f CheckedFile, r DiscReport) (out []fixity.Range, more bool) {
	const block = 64 << 10
	s, err := t.Sound(x.File, x.Version)
	if err != nil || f.LBA < 0 {
		return nil, false
	}
	layout, ok := LayoutOf(s)
	if !ok || layout.BytesPerFrame != 4 || layout.Rate != 44100 {
		return nil, false
	}
	end := layout.DataOffset + layout.Frames*4
	last := int64(-1)
	places := slices.Concat(r.UnreadableAt, r.DifferingAt)
	slices.SortFunc(places, func(a, b DiscPlace) int { return cmp.Compare(a.LBA, b.LBA) })
	for _, p := range places {
		// A disc is read shifted by less than a few sectors.
		from := layout.DataOffset + (p.LBA-f.LBA-1)*2352
		to := layout.DataOffset + (p.LBA+p.Count-f.LBA+1)*2352
		from, to = max(from, layout.DataOffset), min(to, end)
		for b := from / block; b*block < to; b++ {
			if b <= last {
				continue
			}
			last = b
			if n := len(out); n > 0 && out[n-1].Offset+out[n-1].Length == b*block {
				out[n-1].Length += block
				continue
			}
			if len(out) == fixity.MaxRanges {
				return out, true
			}
			out = append(out, fixity.Range{Offset: b * block, Length: block})
		}
	}
	return out, false
}

// discOwn is the state of a disc as a whole where its files don't tell it.
func discOwn(c CheckedDisc) (fixity.Kind, string) {
	if r := c.Report; len(r.Directory) > 0 && r.Verdict == fixity.DiscIntact && c.Disc.ID != 0 {
		return fixity.WrongDirectory, directoryIs(r)
	}
	if c.Good() || c.Disc.ID == 0 {
		return "", ""
	}
	for _, f := range c.Files {
		if f.State != fixity.Intact && f.State != "" && !f.Retired {
			return "", ""
		}
	}
	r := c.Report
	switch r.Verdict {
	case fixity.DiscUnreadable:
		s := fmt.Sprintf("%d of %d sectors can't be read", r.Unreadable, r.Sectors)
		if r.Structure > 0 {
			s += fmt.Sprintf(", %d of them of its file system", r.Structure)
		}
		return fixity.Kind(fixity.Unreadable), s
	case fixity.DiscAltered:
		return fixity.Kind(fixity.Altered), "sectors were read well and aren't what they were"
	case fixity.DiscUnsteady:
		return fixity.Kind(fixity.Unsteady), "the drive lost its place while reading"
	case fixity.DiscReordered:
		return fixity.Kind(fixity.Misplaced), "what was burned is there, in another order"
	}
	return "", ""
}

// directoryIs says what is wrong with a disc's directory.
func directoryIs(r DiscReport) string {
	return fmt.Sprintf("the disc's directory is damaged: %s; read by its %s names, the bytes of its files are as burned", strings.Join(r.Directory, "; "), r.View)
}
