package checking

import (
	"cmp"
	"errors"
	"fmt"
	"math"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/discs"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// ranges are where sectors lie.
func ranges(ps []burned.Sectors) (out []optical.Range) {
	for _, p := range ps {
		out = append(out, optical.Range{LBA: p.LBA, Count: p.Count})
	}
	return out
}

// heldFiles is what a check showed of each file, for the ledger.
func (e Desk) heldFiles(t *ledger.Tx, c *discs.Check) (result, []ledger.DiscHeld, error) {
	r := c.Report
	res := result{Structure: r.Structure, Free: r.Free, Extra: len(r.Extra), Medium: c.About.Medium, Levelled: c.Row.Levelled, Unreadable: ranges(r.Unreadable), Differing: ranges(r.Differing)}
	for _, p := range r.Problems {
		res.Problems = append(res.Problems, p.Error())
	}
	if r.Sound != nil {
		res.Located, res.Offset = r.Sound.Located, r.Sound.Offset
	}
	if c.Disc.ID == 0 {
		return res, nil, nil
	}
	before, was := map[int64]fileResult{}, fixity.DiscVerdict("")
	if n := len(c.Before); n > 0 {
		was = c.Before[n-1].Verdict
		for _, f := range resultOf(c.Before[n-1]).Files {
			before[f.File] = f
		}
	}
	rule, _ := e.Rules.Store(c.Disc.Store)
	on := c.On()
	var held []ledger.DiscHeld
	for i := range c.Files {
		f := &c.Files[i]
		h := ledger.DiscHeld{File: f.ID, State: f.State, Wrong: f.Wrong(), Samples: c.Disc.Kind == ledger.AudioDisc, PlaceDue: rule.ReadWithin}
		h.NotRead = f.State == "" || !r.Verdict.Proves() || f.Weaker && f.State == fixity.Intact
		if h.Samples && len(f.Ranges) == 0 && f.State != fixity.Intact && f.State != "" {
			f.Ranges, f.More = soundRanges(t, *f, r)
		}
		var other []fixity.Fact
		if !h.Wrong.IsZero() {
			var err error
			if other, err = otherVersion(t, f, c.Row.Ended); err != nil {
				return res, nil, err
			}
		}
		h.Ranges, h.More = f.Ranges, f.More
		if f.Holds != 0 {
			if other[0].Is == fixity.DiscVersion { // of the other kind nothing says that this disc needn't be kept
				h.Holds = f.Holds
			}
		} else if f.State == fixity.Altered && len(f.Blocks) > 0 {
			var err error
			if h.Anatomy, err = anatomy(t, *f); err != nil {
				return res, nil, err
			}
		}
		if f.State != fixity.Intact && f.State != "" {
			h.Facts = append([]fixity.Fact{seenOn(*c, i, on)}, other...)
			fr := fileResult{File: f.ID, State: f.State, Ranges: h.Ranges, More: h.More && h.Wrong.IsZero(), Why: f.Why, Holds: f.Holds}
			if !h.Wrong.IsZero() {
				fr.Wrong = h.Wrong.String()
			}
			res.Files = append(res.Files, fr)
			b := before[f.ID]
			h.Same = (was == fixity.DiscChanged) == (r.Verdict == fixity.DiscChanged) && b.same(fr)
			if r.Verdict == fixity.DiscChanged {
				h.Settled, h.Told = c.Decision, f.Cause == burned.CauseChanged
			}
		}
		held = append(held, h)
	}
	return res, held, nil
}

// otherVersion finds out whether what a disc holds in a file's place is another version of it:
// one that it should have been registered with, or what a first reading gave that later ones
// outvoted (ledger.Version.Outvoted).
func otherVersion(t *ledger.Tx, f *discs.File, at time.Time) ([]fixity.Fact, error) {
	vs, err := t.Files.Versions(f.ID)
	if err != nil {
		return nil, err
	}
	outvoted := slices.ContainsFunc(vs, func(v ledger.Version) bool { return v.N == f.Version && v.Outvoted })
	for _, v := range slices.Backward(vs) { // what a person decided for since comes first
		if v.N == f.Version || v.BLAKE3 != f.Wrong() {
			continue
		}
		f.Holds, f.Ranges, f.More = v.N, nil, false
		if outvoted && v.N == f.Version-1 {
			f.Why = fmt.Sprintf("it is version %d, what the first reading of the file gave; later readings gave version %d", v.N, f.Version)
			return []fixity.Fact{{Is: fixity.HoldsVersion, At: fixity.Instants(at), Version: v.N}}, nil
		}
		f.Why = fmt.Sprintf("it is version %d of the file, and the disc is registered with version %d", v.N, f.Version)
		return []fixity.Fact{{Is: fixity.DiscVersion, Version: v.N, Of: f.Version}}, nil
	}
	return nil, nil
}

// same says that a check showed of a file just what one before did. The digest of all its
// bytes says so by itself; ranges are finer where a copy was at hand.
func (b fileResult) same(now fileResult) bool {
	switch {
	case b.State != now.State || b.Wrong != now.Wrong || b.More || now.More:
		return false
	case now.Wrong != "":
		return true
	case now.State == fixity.Altered:
		return slices.Equal(inBlocks(b.Ranges), inBlocks(now.Ranges))
	}
	return slices.Equal(b.Ranges, now.Ranges)
}

// inBlocks are the 64 KiB in which ranges lie, by their numbers.
func inBlocks(rs []fixity.Range) (out []int64) {
	for _, r := range rs {
		for b := r.Offset / digest.BlockSize; b*digest.BlockSize < r.Offset+r.Length; b++ {
			if k := len(out); k == 0 || out[k-1] != b {
				out = append(out, b)
			}
		}
	}
	return out
}

// anatomy says how a file on a data disc differs, by its block sums; "" if those of its
// version aren't known.
func anatomy(t *ledger.Tx, f discs.File) (fixity.Anatomy, error) {
	blocks, err := t.Files.Blocks(f.ID, f.Version)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && len(blocks) != len(f.Blocks) {
		return "", nil
	}
	if err != nil {
		return "", err
	}
	vs, err := t.Files.Versions(f.ID)
	for _, v := range vs {
		if v.N == f.Version {
			return damage.FromBlocks(digest.Sums{Size: v.Size, Blocks: blocks}, digest.Sums{Size: v.Size, Blocks: f.Blocks}).Anatomy, nil
		}
	}
	return "", err
}

// seenOn says how a file on a disc was seen; on says which files lie in a row of sectors.
func seenOn(c discs.Check, file int, on func(burned.Sectors) []int) fixity.Fact {
	x := fixity.Fact{Is: fixity.OnDisc, Disc: c.Disc.Name(), Drive: c.About.Drive, At: fixity.Instants(c.Row.Ended)}
	if why := c.Files[file].Why; why != "" && c.Files[file].Holds == 0 { // a fact of its own says that
		x.Said = []string{why}
	}
	for _, p := range c.Places() {
		if !slices.Contains(on(p), file) {
			continue
		}
		if x.Of++; x.Of <= shownPlaces {
			x.Sectors = append(x.Sectors, fixity.Sectors{LBA: p.LBA, Count: p.Count, Track: p.Track, Time: p.Time})
		}
	}
	return x
}

// shownPlaces is how many places of a disc a finding about a file names.
const shownPlaces = 3

// soundRanges are the 64 KiB blocks of a file in which a disc's bad sectors of it lie.
func soundRanges(t *ledger.Tx, f discs.File, r burned.Result) (out []fixity.Range, more bool) {
	const block = 64 << 10
	s, err := t.Files.Sound(f.ID, f.Version)
	if err != nil || f.LBA < 0 {
		return nil, false
	}
	layout, ok := hearing.LayoutOf(s)
	if !ok || layout.BytesPerFrame != 4 || layout.Rate != 44100 {
		return nil, false
	}
	end := layout.DataOffset + layout.Frames*4
	last := int64(-1)
	places := slices.Concat(r.Unreadable, r.Differing)
	slices.SortFunc(places, func(a, b burned.Sectors) int { return cmp.Compare(a.LBA, b.LBA) })
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

// ownState is the state of a disc as a whole where its files don't tell it, and what is
// to be told of it.
func ownState(c discs.Check) (fixity.Kind, []fixity.Fact) {
	r := c.Report
	if len(r.Directory) > 0 && r.Verdict == fixity.DiscIntact && c.Disc.ID != 0 {
		return fixity.WrongDirectory, []fixity.Fact{{Is: fixity.DiscDirectory, Said: r.Directory, Code: string(r.View)}}
	}
	if c.Good() || c.Disc.ID == 0 {
		return "", nil
	}
	switch g, known := c.Change(); {
	case c.Report.Verdict == fixity.DiscOther:
		x := fixity.Fact{Is: fixity.DiscElse}
		for _, d := range c.Proved {
			x.Said = append(x.Said, d.Name())
		}
		return fixity.OtherDisc, []fixity.Fact{x}
	case known: // to a tenth of a decibel, as it is told
		return fixity.Kind(fixity.Altered), []fixity.Fact{{Is: fixity.DiscLevel, Count: int64(math.Round(g.GainDB*10)) * 100}}
	}
	for _, f := range c.Files {
		if f.State != fixity.Intact && f.State != "" && !f.Retired {
			return "", nil
		}
	}
	switch r.Verdict {
	case fixity.DiscUnreadable:
		k := c.Counts()
		return fixity.Kind(fixity.Unreadable), []fixity.Fact{{Is: fixity.DiscSectors, Count: k.Unreadable, Of: k.Sectors, Before: r.Structure}}
	case fixity.DiscAltered:
		return fixity.Kind(fixity.Altered), []fixity.Fact{{Is: fixity.DiscDiffers}}
	case fixity.DiscUnsteady:
		return fixity.Kind(fixity.Unsteady), []fixity.Fact{{Is: fixity.DiscLost}}
	case fixity.DiscReordered:
		return fixity.Kind(fixity.Misplaced), []fixity.Fact{{Is: fixity.DiscOrder}}
	}
	return "", nil
}
