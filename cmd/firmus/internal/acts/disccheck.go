package acts

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"slices"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
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
	Rotten    bool // that copy isn't the version that was burned
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
	Levelled   bool         `json:"levelled,omitempty"` // ledger.DiscCheck reads it
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
	cand, d, free, err := e.takeDisc(ctx, o)
	if err != nil {
		return out, err
	}
	defer free()
	out.About = d.About()
	if o.About != nil {
		o.About(out.About)
	}
	unlock, err := e.lock(ctx, "disc-"+out.About.ID[:min(16, len(out.About.ID))], 0)
	var locked *ledger.LockedError
	if errors.As(err, &locked) {
		return out, fmt.Errorf("this disc, or its twin, is %w: %s is checking it", fixity.ErrBusy, locked.Holder)
	}
	if err != nil {
		return out, err
	}
	defer unlock()
	began := e.Now()
	src := newSources(e)
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
	err := private.MkdirAll(e.discFolder())
	if err == nil {
		tmp := file + ".new"
		if err = private.WriteFile(tmp, c.Report.Map); err == nil {
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

// distrustSources says first of all which files a disc was compared with that aren't the
// version they were taken for. Then nothing is said about the disc: neither that it is
// intact nor that it isn't.
func (e *Env) distrustSources(ctx context.Context, src *sources, c *CheckedDisc) error {
	var rotten []string
	for i, f := range c.Files {
		if f.Store == "" {
			continue
		}
		right, err := src.stillRight(ctx, f.File)
		if context.Cause(ctx) != nil {
			return context.Cause(ctx)
		}
		if err == nil && right {
			continue
		}
		c.Files[i].Rotten = true
		c.Files[i].Why = fmt.Sprintf("the copy in %s that it was compared with isn't what was burned: audit %s", f.Store, f.Store)
		rotten = append(rotten, fmt.Sprintf("%s/%s in %s isn't the version that was burned any more, so nothing is said about the disc: firmus audit %s --full, then check the disc again", f.Set, ledger.DisplayPath(f.Path), f.Store, f.Store))
	}
	if len(rotten) == 0 {
		return nil
	}
	r := &c.Report
	r.Verdict, r.Problems = fixity.DiscNotCompared, slices.Concat(rotten, r.Problems)
	// What differs, and what was told of the sound, was told by the source.
	r.DifferingAt = nil
	if r.Sound != nil {
		r.Sound.Changed = false
	}
	for i := range c.Files {
		if c.Files[i].Rotten || c.Files[i].State != fixity.Intact {
			c.Files[i].State, c.Files[i].Ranges, c.Files[i].More = "", nil, false
		}
	}
	return nil
}
