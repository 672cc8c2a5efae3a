package report

import (
	"context"
	"errors"
	"fmt"
	"io"

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
func nextOnDisc(f ledger.Finding, good string) []string {
	look := fmt.Sprintf("Look at disc %s: never spin one that is cracked or whose layers lift. Clean it straight from the centre to the edge.", f.Disc)
	again := fmt.Sprintf("firmus disc check %s", f.Disc)
	burn := fmt.Sprintf("burn it anew from an intact copy: firmus disc sheet %s. Keep the old disc until the new one was checked.", f.Disc)
	if good != "" {
		burn = fmt.Sprintf("burn it anew from %s: firmus disc sheet %s. Keep the old disc until the new one was checked.", good, f.Disc)
	}
	twins := "Read its twins next, then discs of the same brand burned in the same month: firmus disc list"
	switch f.Step {
	case policy.StepDrive:
		steps := []string{fmt.Sprintf("Try a second drive first: it may read there (%s --drive DEVICE).", again), look, twins}
		if good != "" {
			return append(steps, "If it reads in no drive: "+burn)
		}
		return append(steps, "If it reads in no drive: look for another copy before anything is given up.")
	case policy.StepBurn:
		if f.Kind == fixity.Fading {
			if good == "" {
				return []string{"Copy all of it to a hard drive while it can still be read, and take that in: no other copy of it is known.", twins}
			}
			return []string{"Copy it while it can still be read: " + burn, twins}
		}
		return []string{look + " Then read it once more: " + again, "If it says the same: " + burn, twins}
	}
	return []string{look + " Then read it in a second drive: " + again + " --drive DEVICE",
		"No intact copy is known: look for another one, among the twins first. Keep this disc."}
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
			s.Baseline++
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
