package pages

import (
	"path"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// deckData is what is next on the deck, as far as it is known without a register: what has
// to be transferred again, and what comes next with what was transferred.
type deckData struct {
	Again []line
	More  bool
	Sides []reelFilter // blank while they are counted for the first time
}

type suspicion struct{ Item, Path, Text string }

const (
	mostAgain = 6
	// mostSuspected is how many of the newest items are looked at, and mostOfItem how many
	// files one may have: more are no reel.
	mostSuspected, mostOfItem = 6, 40
)

func (q *request) deck(t *tx) (*deckData, error) {
	d := &deckData{}
	fs, err := t.Findings.OpenUnfinished(mostAgain + 1)
	if err != nil {
		return nil, err
	}
	if d.More = len(fs) > mostAgain; d.More {
		fs = fs[:mostAgain]
	}
	for _, f := range fs {
		d.Again = append(d.Again, lineOf(q.veiled(f)))
	}
	o, err := q.s.reels.Newest(q.Context())
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
func (q *request) suspect(t *tx, item string, most int) ([]string, error) {
	files, err := t.Files.Heard(item, most+1)
	if err != nil || len(files) > most || slices.ContainsFunc(files, func(f ledger.Heard) bool { return q.mayNotKnow(f.Set, f.Path) }) {
		return nil, err
	}
	return report.Suspicions(slices.DeleteFunc(files, func(f ledger.Heard) bool {
		set, _ := q.s.o.Archive.Rules.Set(f.Set)
		return set.Role != fixity.Master
	})), nil
}

// suspicions are those about masters that arrived lately, by item.
func (q *request) suspicions(t *tx, items []string) (out []suspicion, err error) {
	for _, item := range items[:min(len(items), mostSuspected)] {
		if item == "" {
			continue
		}
		said, err := q.suspect(t, item, mostOfItem)
		if err != nil {
			return nil, err
		}
		for _, s := range said {
			out = append(out, suspicion{item, reelPath(item), sentence(s)})
		}
	}
	return out, nil
}

// tagOf is what people call a stick by: the name under which the system shows it, else the
// last part of the folder that was named.
func tagOf(source string) string {
	p := path.Clean(strings.ReplaceAll(source, `\`, "/"))
	for _, above := range []struct {
		dir   string
		depth int // of the stick's own folder below it
	}{{"/run/media/", 2}, {"/media/", 2}, {"/Volumes/", 1}} {
		if rest, ok := strings.CutPrefix(p, above.dir); ok {
			parts := strings.Split(rest, "/")
			return parts[min(len(parts), above.depth)-1]
		}
	}
	if drive, _, ok := strings.Cut(p, ":"); ok && len(drive) == 1 {
		return drive + ":" // a drive letter: its label isn't in the path
	}
	if base := path.Base(p); base != "/" && base != "." {
		return base
	}
	return source
}
