package statements

import (
	"context"
	"errors"
	"fmt"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Shelf is what is known of the discs, summed.
type Shelf struct {
	Discs     int64            `json:"discs"`
	Audio     int64            `json:"audio"`
	Data      int64            `json:"data"`
	Verdicts  map[string]int64 `json:"last_verdicts"` // of those that were read
	NeverRead int64            `json:"never_read"`
	Oldest    *report.Instant  `json:"longest_unread"` // of those that were read
	Newest    *report.Instant  `json:"newest_read"`
	Baseline  int64            `json:"known_by_first_reading"` // nothing older is known of what they hold
}

// shelfOf sums up the discs.
func shelfOf(ctx context.Context, t *ledger.Tx) (Shelf, error) {
	s := Shelf{Verdicts: map[string]int64{}}
	ds, err := t.Discs.All()
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
			fs, err := t.Discs.FilesOn(d.ID)
			if err != nil {
				return s, err
			}
			if len(fs) == 0 { // else it is of a disc that is changed, or alike
				s.Baseline++
			}
		}
		c, err := t.Discs.LastCheck(d.ID)
		if errors.Is(err, fixity.ErrNotFound) {
			s.NeverRead++
			continue
		}
		if err != nil {
			return s, err
		}
		s.Verdicts[string(c.Verdict)]++
		if s.Oldest == nil || c.Ended.Before(s.Oldest.Time) {
			s.Oldest = report.InstantOf(c.Ended)
		}
		if s.Newest == nil || c.Ended.After(s.Newest.Time) {
			s.Newest = report.InstantOf(c.Ended)
		}
	}
	return s, context.Cause(ctx)
}

// block is what a statement says of the discs.
func (s Shelf) block() sheet.Block {
	if s.Discs == 0 {
		return sheet.Block{}
	}
	b := sheet.Block{Title: "Discs", Lines: []string{fmt.Sprintf("%s audio, %s data; %s never read; longest unread %s", fixity.Number(s.Audio), fixity.Number(s.Data), fixity.Number(s.NeverRead), at(s.Oldest))}}
	for _, t := range fixity.Vocabulary {
		if n := s.Verdicts[t.Code]; t.Group == "disc" && n > 0 {
			b.Facts = append(b.Facts, [2]string{fixity.Number(n) + "  " + t.Code, t.Means})
		}
	}
	if s.Baseline > 0 {
		b.Lines = append(b.Lines, fmt.Sprintf("Of %s nothing is known but the first reading.", fixity.Count(s.Baseline, "disc")))
	}
	if s.Audio > 0 {
		b.Lines = append(b.Lines, "Audio discs hold samples and count as no copy of a file.")
	}
	return b
}
