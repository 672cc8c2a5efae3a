// Package items serves the pages about what the archive holds by its own count: where each
// side of each reel is in the work, and what the register says.
package items

import (
	"slices"

	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// DeckData is what is next on the deck, as far as it is known without a register: what has
// to be transferred again, and what comes next with what was transferred.
type DeckData struct {
	Again []site.Line
	More  bool
	Sides []reelFilter // blank while they are counted for the first time
}

// Suspicion is that masters of an item were edited before they were taken in, in words.
type Suspicion struct{ Item, Path, Text string }

const (
	mostAgain = 6
	// mostSuspected is how many of the newest items are looked at, and mostOfItem how many
	// files one may have: more are no reel.
	mostSuspected, mostOfItem = 6, 40
)

// Deck is what is next on the deck.
func Deck(q *site.Request, t *ledger.Tx) (*DeckData, error) {
	d := &DeckData{}
	fs, err := t.Findings.OpenUnfinished(mostAgain + 1)
	if err != nil {
		return nil, err
	}
	if d.More = len(fs) > mostAgain; d.More {
		fs = fs[:mostAgain]
	}
	for _, f := range fs {
		d.Again = append(d.Again, site.LineOf(q.Veiled(f)))
	}
	o, err := q.Site.Reels.Newest(q.Context())
	if err != nil || o == nil {
		return d, err
	}
	for _, n := range []reels.Next{reels.Finish, reels.Edit, reels.Burn, reels.Bring, reels.Seek, reels.Transfer} {
		if c := o.Counts[n]; c > 0 {
			d.Sides = append(d.Sides, reelFilter{Path: "/reels?next=" + string(n), Words: n.Words(), N: c})
		}
	}
	return d, nil
}

// suspect are suspicions that masters of an item were edited before they were taken in; none
// where it has more than most files, or some whose names may not be known.
func suspect(q *site.Request, t *ledger.Tx, item string, most int) ([]string, error) {
	files, err := t.Files.Heard(item, most+1)
	if err != nil || len(files) > most || slices.ContainsFunc(files, func(f ledger.Heard) bool { return q.MayNotKnow(f.Set, f.Path) }) {
		return nil, err
	}
	return report.Suspicions(slices.DeleteFunc(files, func(f ledger.Heard) bool {
		set, _ := q.Site.Archive.Rules.Set(f.Set)
		return set.Role != fixity.Master
	})), nil
}

// Suspicions are those about masters that arrived lately, by item.
func Suspicions(q *site.Request, t *ledger.Tx, items []string) (out []Suspicion, err error) {
	for _, item := range items[:min(len(items), mostSuspected)] {
		if item == "" {
			continue
		}
		said, err := suspect(q, t, item, mostOfItem)
		if err != nil {
			return nil, err
		}
		for _, s := range said {
			out = append(out, Suspicion{item, site.ItemPath(item), site.Sentence(s)})
		}
	}
	return out, nil
}
