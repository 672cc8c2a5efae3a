package report

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// inWhat is where a finding is: a disc, or a store.
func inWhat(f Finding) string {
	if f.Disc != "" {
		return "disc " + f.Disc
	}
	return f.Store
}

// nextOnDisc says what a person should do about a finding on a disc.
func (m Matter) nextOnDisc(f ledger.Finding) []Step {
	disc := m.disc(f.Carrier, f.Disc, f.File)
	look := fmt.Sprintf("Look at %s: never spin one that is cracked or whose layers lift. Clean it straight from the centre to the edge.", disc)
	again := fmt.Sprintf("firmus disc check %s", f.Disc)
	twins := say("Read its twins next, then discs of the same brand burned in the same month: firmus disc list")
	sheet := fmt.Sprintf("firmus disc sheet %s prints how to do it, and where each file is taken from. Keep the old disc until the new one was checked.", f.Disc)
	good := sure(m.donors(f))
	burn := "burn it anew from an intact copy: " + sheet
	switch {
	case len(good) > 0:
		d := good[0]
		burn = fmt.Sprintf("burn it anew from the copy on the %s, which was intact when last read, %s: %s", m.on(d.copy, f.File), m.when(d.copy.Read.At), sheet)
	case len(f.IntactIn) > 0:
		burn = fmt.Sprintf("have a copy of what it holds read first: firmus audit %s --full. If that is intact, burn the disc anew: %s", strings.Join(f.IntactIn, " "), sheet)
	}
	known := len(f.IntactIn) > 0
	switch f.Step {
	case policy.StepDrive:
		steps := []Step{say(fmt.Sprintf("Try %s in a second drive first: it may read there (%s --drive DEVICE).", disc, again)), say(look), twins}
		if known {
			return append(steps, say("If it reads in no drive: "+burn))
		}
		return append(steps, say("If it reads in no drive: look for another copy before anything is given up."))
	case policy.StepBurn:
		if f.Kind == fixity.Fading {
			if !known {
				return []Step{say(fmt.Sprintf("Copy all of %s to a hard drive while it can still be read, and take that in: no other copy of it is known.", disc)), twins}
			}
			return []Step{say(fmt.Sprintf("Copy %s while it can still be read: %s", disc, burn)), twins}
		}
		if f.Kind == fixity.WrongDirectory {
			return []Step{say(fmt.Sprintf("Read %s in a second drive: %s --drive DEVICE", disc, again)), say("If it says the same: " + burn + " Until then its files can be read, by the names that the finding tells.")}
		}
		return []Step{say(look + " Then read it once more: " + again), say("If it says the same: " + burn), twins}
	}
	return []Step{say(look + " Then read it in a second drive: " + again + " --drive DEVICE"),
		say("No intact copy is known: look for another one, among the twins first. Keep this disc.")}
}

// Shelf is what is known of the discs, summed.
type Shelf struct {
	Discs     int64            `json:"discs"`
	Audio     int64            `json:"audio"`
	Data      int64            `json:"data"`
	Verdicts  map[string]int64 `json:"last_verdicts"` // of those that were read
	NeverRead int64            `json:"never_read"`
	Oldest    *Instant         `json:"longest_unread"` // of those that were read
	Newest    *Instant         `json:"newest_read"`
	Baseline  int64            `json:"known_by_first_reading"` // nothing older is known of what they hold
}

// shelfOf sums up the discs.
func shelfOf(ctx context.Context, t *ledger.Tx) (Shelf, error) {
	s := Shelf{Verdicts: map[string]int64{}}
	ds, err := t.Discs()
	if err != nil {
		return s, err
	}
	for _, d := range ds {
		s.Discs++
		if d.Kind == ledger.AudioDisc {
			s.Audio++
		} else {
			s.Data++
		}
		if len(d.Baseline) > 0 {
			fs, err := t.DiscFiles(d.ID)
			if err != nil {
				return s, err
			}
			if len(fs) == 0 { // else it is of a disc that is changed, or alike
				s.Baseline++
			}
		}
		c, err := t.LastDiscCheck(d.ID)
		if errors.Is(err, fixity.ErrNotFound) {
			s.NeverRead++
			continue
		}
		if err != nil {
			return s, err
		}
		s.Verdicts[string(c.Verdict)]++
		if s.Oldest == nil || c.Ended.Before(s.Oldest.Time) {
			s.Oldest = InstantOf(c.Ended)
		}
		if s.Newest == nil || c.Ended.After(s.Newest.Time) {
			s.Newest = InstantOf(c.Ended)
		}
	}
	return s, context.Cause(ctx)
}

// text is the shelf's row of the statement of holdings.
func (s Shelf) text(w io.Writer) {
	if s.Discs == 0 {
		return
	}
	fmt.Fprintf(w, "\nDiscs: %s audio, %s data; %s never read; longest unread %s\n", Number(s.Audio), Number(s.Data), Number(s.NeverRead), at(s.Oldest))
	for _, t := range fixity.Vocabulary {
		if n := s.Verdicts[t.Code]; t.Group == "disc" && n > 0 {
			fmt.Fprintf(w, "  %9s  %s: %s\n", Number(n), t.Code, t.Means)
		}
	}
	if s.Baseline > 0 {
		fmt.Fprintf(w, "  Of %s nothing is known but their first reading.\n", Count(s.Baseline, "disc"))
	}
	if s.Audio > 0 {
		fmt.Fprintf(w, "  Audio discs hold samples and count as no copy of a file.\n")
	}
}
