package acts

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"math"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
)

// DiscCheckOrder says which disc is checked, and how.
type DiscCheckOrder struct {
	Number       string // the registered disc that is meant; "" finds out
	Written      string // what is written on the disc, as the person types it
	At           DiscAt
	Fresh, Twice bool
	Looked       string // what the person saw before it was put in
	Progress     func(DiscProgress)
	About        func(DiscAbout) // is told what the disc is, before it is read
}

// CheckedFile is what a disc was found to hold of one file.
type CheckedFile struct {
	File      int64
	Set, Path string
	Version   int64
	Name      string // as it was burned
	Store     string // whose copy it was compared with; "": digests on record
	Retired   bool
	DiscHolds
}

// CheckedDisc is what a check of a disc came to.
type CheckedDisc struct {
	Disc     ledger.Disc // with ID 0 if it isn't known which one it is; its Number may be known all the same
	About    DiscAbout
	Check    ledger.DiscCheck
	Report   DiscReport
	Files    []CheckedFile
	Proved   []ledger.Disc // those that its contents allow
	Swap     string        // a sentence: it seems to be another disc than is written on it
	Fits     []FileRef     // access files whose lengths fit, of a disc that isn't registered
	Decision *ledger.DiscDecision
	Bring    []string      // stores that hold what it could not be compared with
	Together string        // the disc with which it is complete, each having what the other lacks
	Twins    []CheckedTwin // other discs of the same contents
	Next     []NextDisc    // to be read next, as this one is bad
	Class    []ledger.Disc // others that are changed alike, with no decision yet
	Before   []ledger.DiscCheck
	Control  *ControlRead
	Findings []ledger.Finding // open ones about this disc
	Resumed  bool             // an earlier check that was broken off was taken up
}

// CheckedTwin is another disc of the same contents, with its newest check.
type CheckedTwin struct {
	Disc  ledger.Disc
	Check *ledger.DiscCheck
}

// NextDisc is a disc that should be read, and why.
type NextDisc struct {
	Disc ledger.Disc
	Why  string
}

// ControlRead is the reading of a control disc that stands for the drive.
type ControlRead struct {
	Disc  ledger.Disc
	Check ledger.DiscCheck
}

// Good says that nothing needs to be done about the disc.
func (c CheckedDisc) Good() bool {
	var decided []ledger.DiscDecision
	if c.Decision != nil {
		decided = append(decided, *c.Decision)
	}
	return ledger.GoodCheck(c.Check, decided)
}

// Unfinished says that the disc has yet to be compared.
func (c CheckedDisc) Unfinished() bool { return c.Check.Verdict == fixity.DiscNotCompared }

// checkResult is what is kept of a check besides its columns, as JSON.
type checkResult struct {
	Files      []fileResult `json:"files,omitempty"`
	Unreadable []DiscRange  `json:"unreadable,omitempty"`
	Differing  []DiscRange  `json:"differing,omitempty"`
	Located    bool         `json:"located,omitempty"`
	Offset     int          `json:"offset,omitempty"`
	Structure  int64        `json:"structure,omitempty"`
	Free       int64        `json:"free,omitempty"`
	Extra      int          `json:"extra,omitempty"`
	Medium     string       `json:"medium,omitempty"`
	Image      string       `json:"image,omitempty"`
	Problems   []string     `json:"problems,omitempty"`
}

type fileResult struct {
	File   int64          `json:"file"`
	State  fixity.State   `json:"state"`
	Ranges []fixity.Range `json:"ranges,omitempty"`
	Wrong  string         `json:"wrong,omitempty"`
	Why    string         `json:"why,omitempty"`
}

func resultOf(c ledger.DiscCheck) checkResult {
	var r checkResult
	if json.Unmarshal([]byte(c.Result), &r) != nil {
		return checkResult{}
	}
	return r
}

// keepUnfinished is how long a check that was broken off can be taken up again.
const keepUnfinished = ledger.TakeUpWithin

// CheckDisc reads every sector of a disc and holds it against what was burned on it. It
// is one transaction with its event; a check that is broken off writes nothing but the
// map of its sectors, and the next one of the same disc goes on there.
//
// The error is fixity.ErrRefused for a number that isn't registered, that of OpenDisc,
// or why the check wasn't finished; what is known is given beside it.
func (e *Env) CheckDisc(ctx context.Context, o DiscCheckOrder) (CheckedDisc, error) {
	out := CheckedDisc{}
	cand, err := e.candidates(ctx, o)
	if err != nil {
		return out, err
	}
	d, err := e.OpenDisc(ctx, o.At)
	if err != nil {
		return out, err
	}
	defer d.Close()
	out.About = d.About()
	if o.About != nil {
		o.About(out.About)
	}
	unlock, err := e.lock(ctx, "disc-"+out.About.ID[:min(16, len(out.About.ID))], 0)
	if err != nil {
		return out, err
	}
	defer unlock()
	began := e.Now()
	src := &sources{e: e, copies: map[int64]ledger.Copy{}}
	defer src.Close()

	other := false
	if cand, other, err = e.whichDisc(ctx, d, cand, o, src, &out); err != nil {
		return out, err
	}
	want := DiscWant{Kind: out.About.Kind}
	if len(cand) > 0 {
		if want, out.Files, err = e.wanted(ctx, cand[0], src); err != nil {
			return out, err
		}
		out.Disc = ledger.Disc{Number: cand[0].Number, Kind: cand[0].Kind, Part: cand[0].Part, Store: cand[0].Store}
		if len(cand) == 1 {
			out.Disc = cand[0]
		}
	}
	if other {
		out.Report = DiscReport{Verdict: fixity.DiscOther}
		for i := range out.Files {
			out.Files[i].DiscHolds = DiscHolds{LBA: -1}
		}
		return e.concluded(ctx, o, began, src, out)
	}
	opts := DiscOptions{Fresh: o.Fresh, Twice: o.Twice, Now: e.Now, Progress: o.Progress}
	opts.Offset, opts.OffsetKnown = e.offsetOf(ctx, out.About.Drive)
	mapFile := e.mapFile(out, o)
	if opts.Map = e.unfinished(mapFile); opts.Map != nil {
		out.Resumed = true
	}
	out.Report, err = d.Check(ctx, want, opts)
	for i := range min(len(out.Files), len(out.Report.Files)) {
		out.Files[i].DiscHolds = out.Report.Files[i]
	}
	if err != nil {
		out.Check = ledger.DiscCheck{Written: o.Written, By: e.By, Began: began, Ended: e.Now(), Drive: out.About.Drive, Speed: out.Report.Speed}
		return out, e.brokenOff(mapFile, out, err)
	}
	_ = os.Remove(mapFile) // what was kept of a check that was broken off
	if err := e.distrustSources(ctx, src, &out); err != nil {
		return out, err
	}
	if len(cand) == 0 && out.Report.Verdict != fixity.DiscUnregistered {
		out.Report.Verdict = fixity.DiscUnregistered
	}
	if len(cand) > 1 && provesDisc(out.Report.Verdict) {
		out.Proved = cand // any of them: contents can't tell twins apart
	}
	if out.Report.Verdict == fixity.DiscOther || out.Report.Verdict == fixity.DiscUnregistered {
		if err := e.proposeOther(ctx, d, src, &out); err != nil {
			return out, err
		}
	}
	return e.concluded(ctx, o, began, src, out)
}

// candidates are the registered discs that the order may mean: one, or twins of which
// none was named; none if no number was given.
func (e *Env) candidates(ctx context.Context, o DiscCheckOrder) (cand []ledger.Disc, err error) {
	typed := o.Number
	if typed == "" {
		typed = o.Written
	}
	if typed == "" {
		return nil, nil
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Discs()
		if err != nil {
			return err
		}
		r, err := parseRef(typed, prefixOf(all))
		if err != nil {
			return err
		}
		if w, err := parseRef(o.Written, prefixOf(all)); o.Written != "" && err == nil && w.number == r.number {
			// The number says which, and what is written says which of the twins.
			if r.twin == "" {
				r.twin = w.twin
			}
			if r.part == 0 {
				r.part = w.part
			}
		}
		for _, d := range all {
			if d.Number == r.number && (r.twin == "" || d.Twin == r.twin) && (r.part == 0 || d.Part == r.part) {
				cand = append(cand, d)
			}
		}
		if len(cand) == 0 {
			if o.Number == "" {
				return nil // written on a disc that nobody registered
			}
			_, err := findDisc(t, ledger.Disc{Number: r.number, Twin: r.twin, Part: r.part}.Name())
			return err
		}
		return sameContents(t, cand)
	})
	return cand, err
}

// sameContents refuses discs that hold different things: which one is meant must be said.
func sameContents(t *ledger.Tx, ds []ledger.Disc) error {
	var first []ledger.DiscFile
	for i, d := range ds {
		fs, err := t.DiscFiles(d.ID)
		if err != nil {
			return err
		}
		if i == 0 {
			first = fs
			continue
		}
		if d.Kind != ds[0].Kind || !slices.EqualFunc(first, fs, func(a, b ledger.DiscFile) bool { return a.File == b.File && a.Version == b.Version }) {
			return fmt.Errorf("there are %s, and they don't hold the same: say which, with all that is written on the disc: %w", names(ds), fixity.ErrRefused)
		}
	}
	return nil
}

// wanted is what was burned on a disc, with what it can be compared with; without src,
// what the ledger knows of it.
func (e *Env) wanted(ctx context.Context, d ledger.Disc, src *sources) (DiscWant, []CheckedFile, error) {
	w := DiscWant{Kind: d.Kind, Baseline: d.Baseline}
	var files []CheckedFile
	var burned []ledger.File
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.DiscFiles(d.ID)
		if err != nil {
			return err
		}
		for _, x := range fs {
			f, err := t.File(x.File)
			if err != nil {
				return err
			}
			vs, err := t.Versions(f.ID)
			if err != nil {
				return err
			}
			wf := WantedFile{Name: x.Name, Size: -1}
			for _, v := range vs {
				if v.N != x.Version {
					continue
				}
				wf.Size = v.Size
				for _, dg := range []fixity.Digest{v.BLAKE3, v.SHA256, v.MD5} {
					if !dg.IsZero() {
						wf.Digests = append(wf.Digests, dg)
					}
				}
				if src == nil {
					continue
				}
				if wf.Blocks, err = t.Blocks(f.ID, v.N); err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
			}
			if d.Kind == ledger.AudioDisc {
				s, err := t.Sound(f.ID, x.Version)
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				wf.Samples = int64(math.Round(s.Duration.Seconds() * 44100))
			}
			w.Files = append(w.Files, wf)
			burned = append(burned, f)
			files = append(files, CheckedFile{File: f.ID, Set: f.Set, Path: f.Path, Version: x.Version, Name: x.Name, Retired: !f.Retired.IsZero(), DiscHolds: DiscHolds{LBA: -1}})
		}
		return nil
	}); err != nil {
		return w, nil, err
	}
	if d.Kind != ledger.AudioDisc || src == nil {
		return w, files, nil
	}
	for i, f := range burned {
		snd, err := src.sound(ctx, f, files[i].Version)
		if err != nil {
			return w, files, err
		}
		w.Files[i].Sound = snd
		files[i].Store = src.copies[f.ID].Store
	}
	return w, files, nil
}

// mapFile is where the map of a check that is broken off is kept. Twins share a table of
// contents, so the disc that is meant is a part of its name.
func (e *Env) mapFile(c CheckedDisc, o DiscCheckOrder) string {
	name := fmt.Sprintf("%s-%d", c.About.ID[:min(32, len(c.About.ID))], c.Disc.ID)
	if o.Twice {
		name += "-twice"
	}
	if o.At.Image != "" {
		name += "-image"
	}
	return filepath.Join(e.discFolder(), name+".map")
}

func (e *Env) unfinished(file string) []byte {
	st, err := os.Stat(file)
	if err != nil || e.Now().Sub(st.ModTime()).Abs() > keepUnfinished {
		return nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return nil
	}
	return b
}

// BrokenOff is why a check wasn't finished. What is known of the disc is in the result
// beside it, and the next check of it goes on.
type BrokenOff struct {
	Done, Of int64 // sectors
	Err      error
}

func (b *BrokenOff) Error() string { return b.Err.Error() + ": " + b.Rest() }
func (b *BrokenOff) Unwrap() error { return b.Err }

// Rest says how the check goes on.
func (b *BrokenOff) Rest() string {
	return fmt.Sprintf("%d of %d sectors were dealt with; the same command within a day goes on from there", b.Done, b.Of)
}

// brokenOff keeps the map of a check that wasn't finished, and says how it goes on.
func (e *Env) brokenOff(file string, c CheckedDisc, why error) error {
	if len(c.Report.Map) == 0 || c.Report.Sectors == c.Report.Untried {
		return why
	}
	err := os.MkdirAll(e.discFolder(), 0o700)
	if err == nil {
		tmp := file + ".new"
		if err = os.WriteFile(tmp, c.Report.Map, 0o600); err == nil {
			err = os.Rename(tmp, file)
		}
	}
	if err != nil {
		return fmt.Errorf("%w (what was read could not be kept: %w)", why, err)
	}
	return &BrokenOff{Done: c.Report.Sectors - c.Report.Untried, Of: c.Report.Sectors, Err: why}
}

// offsetOf is by how many samples a drive reads sound shifted, if a check has shown it.
func (e *Env) offsetOf(ctx context.Context, drive string) (offset int, known bool) {
	if drive == "" {
		return 0, false
	}
	_ = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		cs, err := t.ChecksInDrive(drive, 20)
		for _, c := range cs {
			if r := resultOf(c); r.Located && c.Verdict == fixity.DiscIntact {
				offset, known = r.Offset, true
				break
			}
		}
		return err
	}) // it only makes finding it faster
	return offset, known
}

// distrustSources reads the files that a disc differs from: what one of them says counts
// only if it is still the version that it was taken for.
func (e *Env) distrustSources(ctx context.Context, src *sources, c *CheckedDisc) error {
	switch c.Report.Verdict {
	case fixity.DiscAltered, fixity.DiscChanged, fixity.DiscOther, fixity.DiscReordered:
	default:
		return nil
	}
	for i, f := range c.Files {
		if f.Store == "" || f.State == fixity.Intact {
			continue
		}
		right, err := src.stillRight(ctx, f.File, f.Version)
		if context.Cause(ctx) != nil {
			return context.Cause(ctx)
		}
		if err == nil && right {
			continue
		}
		c.Report.Verdict = fixity.DiscNotCompared
		c.Files[i].State, c.Files[i].Why = "", fmt.Sprintf("the copy in %s that it was compared with isn't what it was: audit %s", f.Store, f.Store)
		c.Report.Problems = append(c.Report.Problems, fmt.Sprintf("%s/%s in %s isn't the version that was burned any more, so the disc can't be blamed: firmus audit %s --full", f.Set, ledger.DisplayPath(f.Path), f.Store, f.Store))
	}
	if c.Report.Verdict == fixity.DiscNotCompared {
		for i := range c.Files {
			if c.Files[i].State != fixity.Intact {
				c.Files[i].State = ""
			}
		}
	}
	return nil
}

// concluded records a check and gathers what a person should know of it.
func (e *Env) concluded(ctx context.Context, o DiscCheckOrder, began time.Time, src *sources, c CheckedDisc) (CheckedDisc, error) {
	r := &c.Report
	c.Bring = nil
	if r.Verdict == fixity.DiscNotCompared {
		c.Bring = src.Bring
		for _, f := range c.Files {
			if f.State == "" && f.Store == "" && len(src.Bring) == 0 && c.Disc.Kind == ledger.AudioDisc {
				r.Problems = append(r.Problems, fmt.Sprintf("no store is known to hold version %d of %s/%s in a form that it can be compared with", f.Version, f.Set, ledger.DisplayPath(f.Path)))
			}
		}
	}
	ended := e.Now()
	err := e.Ledger.Tx(ctx, ended, func(t *ledger.Tx) error {
		if err := e.noteShelf(t); err != nil {
			return err
		}
		if c.Disc.ID != 0 {
			var err error
			if c.Before, err = t.DiscChecks(c.Disc.ID); err != nil {
				return err
			}
		}
		rec := ledger.DiscCheck{TOC: c.About.ID, Began: began, Ended: ended, By: e.By, Drive: c.About.Drive, Speed: r.Speed, Written: o.Written, Verdict: r.Verdict,
			Sectors: r.Sectors, AtOnce: r.AtOnce, Retried: r.Retried, Doubtful: r.Doubtful, Unreadable: r.Unreadable, Map: r.Map, Looked: o.Looked}
		if r.Sound != nil && r.Sound.Changed {
			rec.Changed, rec.Gain = true, r.Sound.GainDB
		}
		if len(c.Proved) > 0 {
			rec.Proved = names(c.Proved)
		} else if c.Disc.Number != "" && provesDisc(r.Verdict) {
			rec.Proved = c.Disc.Number
		}
		if err := e.decided(t, rec, &c); err != nil {
			return err
		}
		res, held := e.heldFiles(t, &c, began, ended)
		text, err := json.Marshal(res)
		if err != nil {
			return err
		}
		rec.Result = string(text)
		own, detail := discOwn(c)
		if c.Check, err = t.RecordCheck(c.Disc, rec, held, own, detail); err != nil {
			return err
		}
		if c.Disc.ID != 0 && len(r.Baseline) > 0 && len(c.Disc.Baseline) == 0 && r.Verdict == fixity.DiscBaseline {
			if err := t.KeepBaseline(c.Disc.ID, r.Baseline); err != nil {
				return err
			}
		}
		return e.around(t, &c)
	})
	return c, err
}

// provesDisc says that a verdict shows the disc to be the one that it was held against.
func provesDisc(v fixity.DiscVerdict) bool {
	switch v {
	case fixity.DiscIntact, fixity.DiscUnreadable, fixity.DiscAltered, fixity.DiscUnsteady, fixity.DiscReordered, fixity.DiscChanged, fixity.DiscAlike, fixity.DiscMissing:
		return true
	}
	return false
}

// decided finds the decision that covers what was changed on the way.
func (e *Env) decided(t *ledger.Tx, rec ledger.DiscCheck, c *CheckedDisc) error {
	all, err := t.DiscDecisions()
	for _, d := range all {
		if d.Covers(rec) {
			c.Decision = &d
			return err
		}
	}
	return err
}

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
		res.Located, res.Offset = r.Sound.Located, r.Sound.Offset
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
