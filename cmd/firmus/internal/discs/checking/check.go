// Package checking finds out which disc lies in a drive, holds it against what was burned
// on it, and records what it came to. It knows a disc as package burned gives it, and adds
// to that what the ledger knows.
package checking

import (
	"bytes"
	"compress/flate"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// Desk is where discs are checked.
type Desk struct {
	registering.Desk
	// Open opens the disc in a drive, or an image of one. Its errors say in words what is
	// wrong: no disc, a tray that is open, no permission.
	Open func(ctx context.Context, at discs.At) (discs.Opened, error)
}

// Order says which disc is checked, and how.
type Order struct {
	Number       string // the registered disc that is meant; "" finds out
	Written      string // what is written on the disc, as the person types it
	At           discs.At
	Fresh, Twice bool
	Looked       string // what the person saw before it was put in
	Progress     func(optical.Progress)
	About        func(optical.Contents) // is told what the disc is, before it is read

	taken bool // the drive is this process's already
	// asked: a person was asked for Number, and doesn't say that this is it. Contents that
	// are surely another disc's make it that one, and say nothing about the one asked for.
	asked bool
}

// result is what is kept of a check besides its columns, as JSON.
type result struct {
	Levelled   bool            `json:"levelled,omitempty"` // ledger.DiscCheck reads it
	Files      []fileResult    `json:"files,omitempty"`
	Unreadable []optical.Range `json:"unreadable,omitempty"`
	Differing  []optical.Range `json:"differing,omitempty"`
	Located    bool            `json:"located,omitempty"`
	Offset     int             `json:"offset,omitempty"`
	Structure  int64           `json:"structure,omitempty"`
	Free       int64           `json:"free,omitempty"`
	Extra      int             `json:"extra,omitempty"`
	Medium     string          `json:"medium,omitempty"`
	Image      string          `json:"image,omitempty"`
	Problems   []string        `json:"problems,omitempty"`
}

type fileResult struct {
	File   int64          `json:"file"`
	State  fixity.State   `json:"state"`
	Ranges []fixity.Range `json:"ranges,omitempty"`
	More   bool           `json:"more,omitempty"` // there are more, and no digest tells them
	Wrong  string         `json:"wrong,omitempty"`
	Why    string         `json:"why,omitempty"`
	Holds  int64          `json:"holds,omitempty"` // another version of it
}

func resultOf(c ledger.DiscCheck) result {
	var r result
	if json.Unmarshal([]byte(c.Result), &r) != nil {
		return result{}
	}
	return r
}

// keepUnfinished is how long a check that was broken off can be taken up again.
const keepUnfinished = ledger.TakeUpWithin

// Check reads every sector of a disc and holds it against what was burned on it. It
// is one transaction with its event; a check that is broken off writes nothing but the
// map of its sectors, and the next one of the same disc goes on there.
//
// The error is fixity.ErrRefused for a number that isn't registered, that of Open, or why
// the check wasn't finished (*BrokenOff); what is known is given beside it.
func (e Desk) Check(ctx context.Context, o Order) (discs.Check, error) {
	out := discs.Check{}
	cand, d, free, err := e.take(ctx, o)
	if err != nil {
		return out, err
	}
	defer free()
	out.About = d.Contents()
	if o.About != nil {
		o.About(out.About)
	}
	unlock, err := e.Lock(ctx, "disc-"+out.About.ID()[:16])
	var locked *ledger.LockedError
	if errors.As(err, &locked) {
		return out, fmt.Errorf("this disc, or its twin, is %w: %s is checking it", fixity.ErrBusy, locked.Holder)
	}
	if err != nil {
		return out, err
	}
	defer unlock()
	var strange []error
	if o.Written != "" && len(cand) == 0 {
		strange = append(strange, fmt.Errorf("%s is written on it, and no disc of that name is registered", o.Written))
	}
	out.Row = ledger.DiscCheck{TOC: out.About.ID(), Began: e.Now(), By: e.By, Drive: out.About.Drive, Written: o.Written, Looked: o.Looked}
	src := newSources(e)
	defer src.Close()

	var other, sure bool
	if o.asked {
		var instead bool
		if cand, instead, sure, err = e.insteadOf(ctx, d, cand, src, &out); instead {
			o.Number = ""
		}
	} else {
		cand, other, sure, err = e.whichDisc(ctx, d, cand, src, &out)
	}
	if err != nil {
		return out, err
	}
	want := burned.Want{Kind: out.About.Kind}
	if len(cand) > 0 {
		if want, out.Files, err = e.wanted(ctx, cand[0], src); err != nil {
			return out, err
		}
		out.Disc = ledger.Disc{Kind: cand[0].Kind, Store: cand[0].Store}
		if !slices.ContainsFunc(cand, func(c ledger.Disc) bool { return c.Number != cand[0].Number || c.Part != cand[0].Part }) {
			out.Disc.Number, out.Disc.Part = cand[0].Number, cand[0].Part // twins have one number
		}
		if len(cand) == 1 {
			out.Disc = cand[0]
		}
	}
	if other {
		out.Report.Verdict = fixity.DiscOther
		return e.concluded(ctx, src, out)
	}
	opts := burned.Options{Fresh: o.Fresh, Twice: o.Twice, Now: e.Now, Progress: o.Progress}
	opts.Offset, opts.OffsetKnown = e.offsetOf(ctx, out.About.Drive)
	mapFile := e.mapFile(out, o)
	opts.Map = e.unfinished(mapFile)
	out.Resumed = opts.Map != nil
	var rotten []error
	for {
		out.Report, err = d.Check(ctx, want, opts)
		for i := range min(len(out.Files), len(out.Report.Files)) {
			out.Files[i].Held = out.Report.Files[i]
			out.Files[i].Why = discs.Why(out.Files[i].Held)
		}
		out.Row.Ended, out.Row.Speed = e.Now(), out.Report.Check.Speed
		if err != nil {
			return out, e.brokenOff(mapFile, out, err)
		}
		bad, err := e.rotten(ctx, src, &out)
		if err != nil {
			return out, err
		}
		rotten = append(rotten, bad...)
		if len(bad) == 0 {
			break
		}
		// Another copy may do. The sectors are known by now: only the comparing is done again.
		again, files, err := e.wanted(ctx, cand[0], src)
		if err != nil {
			return out, err
		}
		if slices.ContainsFunc(files, func(f discs.File) bool { return f.Store == "" }) {
			distrust(&out)
			break
		}
		want, out.Files, opts.Map = again, files, out.Report.Check.Map
	}
	out.Report.Problems = slices.Concat(strange, rotten, out.Report.Problems)
	_ = os.Remove(mapFile) // what was kept of a check that was broken off
	if len(cand) == 0 {
		out.Report.Verdict = fixity.DiscUnregistered
	}
	switch proves := out.Report.Verdict.Proves(); {
	case proves && (len(cand) > 1 || o.Number == "" && o.Written == ""):
		out.Proved = cand // any of them: contents can't tell twins apart
	case !proves && (!sure || o.asked) && out.Report.Verdict == fixity.DiscOther:
		// It only has the table of contents of a disc that nobody said it is.
		out.Disc, out.Files, out.Report.Verdict = ledger.Disc{}, nil, fixity.DiscUnregistered
	case !proves && !sure:
		out.Disc.ID = 0 // nothing shows that it is that one
	}
	if out.Report.Verdict == fixity.DiscOther || out.Report.Verdict == fixity.DiscUnregistered {
		if err := e.proposeOther(ctx, d, src, &out); err != nil {
			return out, err
		}
	}
	return e.concluded(ctx, src, out)
}

// mapFile is where the map of a check that is broken off is kept. Twins share a table of
// contents, so the disc that is meant is a part of its name; "" if it isn't known which one
// it is: what was read of one never stands for another.
func (e Desk) mapFile(c discs.Check, o Order) string {
	if c.Disc.ID == 0 {
		return ""
	}
	name := fmt.Sprintf("%s-%d", c.About.ID()[:32], c.Disc.ID)
	if o.Twice {
		name += "-twice"
	}
	if o.At.Image != "" {
		name += "-image"
	}
	return filepath.Join(e.folder(), name+".map")
}

// unfinished is the map of a check that was broken off; nil if there is none, or it can't
// be used: that is no loss, the check begins anew.
func (e Desk) unfinished(file string) *optical.Map {
	st, err := os.Stat(file)
	if err != nil || e.Now().Sub(st.ModTime()).Abs() > keepUnfinished {
		return nil
	}
	b, err := os.ReadFile(file)
	if err != nil {
		return nil
	}
	m, err := optical.ReadMap(io.LimitReader(flate.NewReader(bytes.NewReader(b)), maxMap))
	if err != nil {
		return nil
	}
	return m
}

// maxMap bounds what a map may unfold to.
const maxMap = 256 << 20

// packed is a map as it is kept; nil for none.
func packed(m *optical.Map) ([]byte, error) {
	if m == nil {
		return nil, nil
	}
	var b bytes.Buffer
	w, err := flate.NewWriter(&b, flate.BestSpeed)
	if err == nil {
		_, err = m.WriteTo(w)
	}
	if err == nil {
		err = w.Close()
	}
	return b.Bytes(), err
}

// folder is where what belongs to a check that goes on is kept.
func (e Desk) folder() string { return Folder(e.Ledger.State()) }

// Folder is that of checks in a state folder.
func Folder(state string) string { return filepath.Join(state, "discs") }

// BrokenOff is why a check wasn't finished. What is known of the disc is in the result
// beside it.
type BrokenOff struct {
	Done, Of int64 // sectors
	Kept     bool  // the next check of it goes on
	Err      error
}

func (b *BrokenOff) Error() string { return b.Err.Error() + ": " + b.Rest() }
func (b *BrokenOff) Unwrap() error { return b.Err }

// Rest says how the check goes on.
func (b *BrokenOff) Rest() string {
	if !b.Kept {
		return fmt.Sprintf("%d of %d sectors were dealt with; as it isn't known which disc this is, the next check begins anew", b.Done, b.Of)
	}
	return fmt.Sprintf("%d of %d sectors were dealt with; the same command within a day goes on from there", b.Done, b.Of)
}

// brokenOff keeps the map of a check that wasn't finished, and says how it goes on.
func (e Desk) brokenOff(file string, c discs.Check, why error) error {
	k := c.Counts()
	done := k.Sectors - k.Untried - k.Failed
	if done == 0 {
		return why
	}
	if file == "" {
		return &BrokenOff{Done: done, Of: k.Sectors, Err: why}
	}
	text, err := packed(c.Report.Check.Map)
	if err == nil {
		err = private.MkdirAll(e.folder())
	}
	if err == nil {
		err = private.Replace(file, text)
	}
	if err != nil {
		return fmt.Errorf("%w (what was read could not be kept: %w)", why, err)
	}
	return &BrokenOff{Done: done, Of: k.Sectors, Kept: true, Err: why}
}

// offsetOf is by how many samples a drive reads sound shifted, if a check has shown it.
func (e Desk) offsetOf(ctx context.Context, drive string) (offset int, known bool) {
	if drive == "" {
		return 0, false
	}
	_ = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		cs, err := t.Discs.ChecksInDrive(drive, 20)
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

// rotten finds the files that a disc was compared with that aren't the version they were
// taken for. Their copies aren't taken again.
func (e Desk) rotten(ctx context.Context, src *sources, c *discs.Check) (found []error, err error) {
	for i, f := range c.Files {
		if f.Store == "" {
			continue
		}
		right, err := src.stillRight(ctx, f.ID)
		if context.Cause(ctx) != nil {
			return nil, context.Cause(ctx)
		}
		if err == nil && right {
			continue
		}
		c.Files[i].Rotten = true
		c.Files[i].Why = fmt.Sprintf("the copy in %s that it was compared with isn't what was burned: audit %s", f.Store, f.Store)
		found = append(found, fmt.Errorf("%s/%s in %s isn't the version that was burned any more, so it says nothing about the disc: %s", f.Set, ledger.DisplayPath(f.Path), f.Store, e.Words.ToReadOnly(f.Store, "", "")))
		src.spoiled = append(src.spoiled, spoiled{f.ID, f.Store})
	}
	return found, nil
}

// distrust says nothing about a disc that was compared with rotten files: neither that it
// is intact nor that it isn't. What differs was told by the source.
func distrust(c *discs.Check) {
	r := &c.Report
	r.Verdict = fixity.DiscNotCompared
	r.Differing, r.DifferingRest, r.DifferingAll, r.InBlocks = nil, nil, 0, false
	for i := range c.Files {
		if f := &c.Files[i]; f.Rotten || f.State != fixity.Intact {
			f.State, f.Ranges, f.More = "", nil, false
		}
	}
}
