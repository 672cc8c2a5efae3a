package checking

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
)

// Pull says which discs are to be looked at.
type Pull struct {
	Box    string // of this box; "" of any
	Due    bool   // those that should be read now
	Sample bool   // those of the month's list (Draw) that weren't read yet, and the control discs
}

// InWords says which discs a pull is, for people and as the name of a sitting.
func (p Pull) InWords() string {
	s := "all discs"
	switch {
	case p.Sample:
		s = "the discs of the month's list"
	case p.Due:
		s = "the discs that are due"
	}
	if p.Box != "" {
		s += " of box " + discs.Box(p.Box)
	}
	return s
}

// Pull gives the discs of a pull, with why each should be read now.
func (e Desk) Pull(ctx context.Context, p Pull) ([]registering.Listed, error) {
	out, _, err := e.pulled(ctx, p)
	return out, err
}

// PullMonth gives those of the month's list as far as it was drawn, and what the draws say.
func (e Desk) PullMonth(ctx context.Context) ([]registering.Listed, Sample, error) {
	return e.pulled(ctx, Pull{Sample: true})
}

func (e Desk) pulled(ctx context.Context, p Pull) (out []registering.Listed, s Sample, err error) {
	all, err := e.List(ctx)
	if err != nil {
		return nil, s, err
	}
	unread := map[int64]bool{}
	if p.Sample {
		if s, err = e.sample(ctx, all, 0, false); err != nil {
			return nil, s, err
		}
		for _, d := range s.Discs {
			unread[d.Disc.ID] = d.Read.IsZero()
		}
	}
	for _, d := range all {
		if p.Sample && !unread[d.Disc.ID] && !d.Disc.Control {
			continue
		}
		if p.Box != "" && !strings.EqualFold(discs.Box(d.Disc.Box), discs.Box(p.Box)) {
			continue
		}
		if d.Due, err = e.Due(ctx, d.Disc); err != nil {
			return nil, s, err
		}
		if !p.Due || d.Due != "" {
			out = append(out, d)
		}
	}
	if p.Box != "" && len(out) == 0 && !p.Due {
		return nil, s, fmt.Errorf("no disc of box %q is registered: %w", p.Box, fixity.ErrRefused)
	}
	return out, s, nil
}

// InBoxes are discs in the order in which they lie in their boxes, control discs first:
// one of those is read before the others, to look at the drive.
func InBoxes(ds []registering.Listed) []registering.Listed {
	out := slices.Clone(ds)
	slices.SortStableFunc(out, func(a, b registering.Listed) int {
		if a.Disc.Control != b.Disc.Control {
			return cmp.Compare(fmt.Sprint(b.Disc.Control), fmt.Sprint(a.Disc.Control))
		}
		return cmp.Or(discs.CompareBoxes(a.Disc.Box, b.Disc.Box), cmp.Compare(a.Disc.Name(), b.Disc.Name()))
	})
	return out
}

// Tray is where a person puts one disc in after the other.
type Tray interface {
	// Next asks for a disc and waits until one lies there. written is what the person says
	// is written on it. io.EOF ends the sitting, ErrSkip goes on to the next disc.
	Next(ctx context.Context, ask ledger.Disc) (at discs.At, written string, err error)
	// Says tells what a disc was found to be.
	Says(line string)
	// Eject gives the disc back.
	Eject(ctx context.Context, at discs.At)
}

// ErrSkip is that a disc isn't put in now.
var ErrSkip = errors.New("not put in")

// sittingFor is how long a sitting that was broken off can be taken up.
const sittingFor = 7 * 24 * time.Hour

// Sit reads the discs wanted, one after the other, as tray gives them. Each is one check
// with its own transaction. What was read is kept in the state folder after each disc, so
// that the next sitting of the same discs within a week goes on; a crash loses at most
// the line about the last disc, whose check is in the ledger. A disc out of order is taken
// as what its contents, and what is written on it, say. A drive is taken for the whole
// sitting, so that a daemon doesn't read the discs first.
func (e Desk) Sit(ctx context.Context, of string, wanted []ledger.Disc, o Order, tray Tray) (s discs.Sitting, err error) {
	unlock, err := e.lockDrive(ctx, o)
	if err != nil {
		return s, err
	}
	defer unlock()
	o.taken = true
	file := e.sittingFile()
	s = e.tookUp(file, of)
	for _, d := range wanted {
		for !s.Has(d) {
			at, written, err := tray.Next(ctx, d)
			if errors.Is(err, ErrSkip) {
				break
			}
			if errors.Is(err, io.EOF) || ctx.Err() != nil {
				return e.over(s, wanted), nil
			}
			if err != nil {
				return e.over(s, wanted), err
			}
			sat, err := e.sat(ctx, d, at, written, o)
			tray.Says(sat.Says)
			if ctx.Err() != nil {
				return e.over(s, wanted), nil
			}
			if err == nil {
				s.Done = append(s.Done, sat)
				if err := keepSitting(file, s); err != nil {
					return e.over(s, wanted), err
				}
			}
			if !errors.Is(err, fixity.ErrRefused) { // what was typed makes no sense: it may stay in
				tray.Eject(ctx, at)
			}
		}
	}
	if s = e.over(s, wanted); len(s.Left) == 0 {
		_ = os.Remove(file) // it is done
	}
	return s, nil
}

// sat reads the disc that was put in where one was asked for.
func (e Desk) sat(ctx context.Context, asked ledger.Disc, at discs.At, written string, o Order) (discs.Sat, error) {
	o.At, o.Number, o.Written = at, "", written
	if written == "" {
		o.Number, o.asked = asked.Name(), true
	}
	c, err := e.Check(ctx, o)
	if err != nil {
		return discs.Sat{At: e.Now(), Says: fmt.Sprintf("%s: %v", asked.Name(), err)}, err
	}
	s := e.satOf(c)
	if c.Disc.ID != asked.ID {
		s.Says = fmt.Sprintf("%s was asked for, and this is %s", asked.Name(), s.Says)
	}
	return s, nil
}

// satOf puts what a check came to in a line.
func (e Desk) satOf(c discs.Check) discs.Sat {
	s := discs.Sat{At: c.Row.Ended, Good: c.Good(), Unfinished: c.Unfinished(), Box: c.Disc.Box, Open: []int64{}}
	name := "a disc that isn't registered"
	if c.Disc.ID != 0 {
		s.Disc = c.Disc.Name()
		name = s.Disc
	} else if len(c.Proved) > 0 {
		name = discs.Names(c.Proved) + ", and nothing tells which"
	}
	verdict := string(c.Report.Verdict)
	if !s.Good {
		verdict = strings.ToUpper(verdict)
	}
	s.Says = fmt.Sprintf("%s: %s (%s)", name, verdict, fixity.Means("disc", string(c.Report.Verdict)))
	for _, f := range c.Findings {
		s.Open = append(s.Open, f.ID)
	}
	if len(s.Open) > 0 {
		s.Says += fmt.Sprintf("; finding %d", s.Open[0])
	}
	return s
}

// Sitting is how far the sitting of a pull has come that was begun within a week and not ended.
func (e Desk) Sitting(p Pull) discs.Sitting { return e.tookUp(e.sittingFile(), p.InWords()) }

func (e Desk) sittingFile() string { return filepath.Join(e.folder(), "sitting.json") }

// tookUp is a sitting of the same discs that was broken off, or a new one.
func (e Desk) tookUp(file, of string) discs.Sitting {
	var s discs.Sitting
	b, err := os.ReadFile(file)
	if err == nil && json.Unmarshal(b, &s) == nil && s.Of == of && e.Now().Sub(s.Began).Abs() < sittingFor {
		return s
	}
	return discs.Sitting{Began: e.Now(), Of: of}
}

func keepSitting(file string, s discs.Sitting) error {
	b, err := json.Marshal(s)
	if err != nil {
		return err
	}
	if err := private.MkdirAll(filepath.Dir(file)); err != nil {
		return err
	}
	return private.Replace(file, b)
}

// over lists what wasn't read.
func (e Desk) over(s discs.Sitting, wanted []ledger.Disc) discs.Sitting {
	s.Left = nil
	for _, d := range wanted {
		if !s.Has(d) {
			s.Left = append(s.Left, d.Name())
		}
	}
	return s
}
