package acts_test

import (
	"context"
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A drill that was promised is due a little before the promise is broken, and once; what it
// came to is kept, and that one is late is told only where somebody asked for it.
func TestDrillIfDue(t *testing.T) {
	const day = 24 * time.Hour
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo, songFile)
		told := func() (words string, late bool) {
			w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
				ds, err := report.DrillsOf(t, w.app.Acts.Rules, w.now)
				for _, d := range ds {
					words += d.Store + ": " + d.Words(time.UTC) + "; "
					late = late || d.Late
				}
				return err
			}))
			return words, late
		}
		w.now = w.now.Add(100 * day)
		if _, done, err := w.app.Recovering.DrillIfDue(w.Context(), "vault"); done || err != nil {
			t.Fatalf("nobody asked for it: %t, %v", done, err)
		}
		if words, _ := told(); words != "" {
			t.Fatalf("nobody asked for it: %q", words)
		}
		w.configured("own_drive = true", "own_drive = true\ndrill_within = \"30d\"")
		if words, late := told(); !late || !strings.Contains(words, "vault: no file was brought back from it as a proof yet. LATE: promised every 30 days") {
			t.Errorf("never done: %q", words)
		}
		for _, c := range []struct {
			after      time.Duration
			done, late bool
		}{{0, true, false}, {day, false, false}, {25 * day, false, false}, {2 * day, true, false}, {26 * day, false, false}} {
			w.now = w.now.Add(c.after)
			d, done, err := w.app.Recovering.DrillIfDue(w.Context(), "vault")
			if w.must(err); done != c.done || done && (d.Files != 3 || d.Proved != 3 || d.Store != "vault") {
				t.Errorf("after %s more: %t, %+v", c.after, done, d)
			}
			if words, late := told(); late != c.late || !strings.Contains(words, "3 of 3 files brought back and proved") {
				t.Errorf("after %s more: %q", c.after, words)
			}
		}
		w.now = w.now.Add(5 * day)
		if words, late := told(); !late {
			t.Errorf("31 days after the last: %q", words)
		}
	})
}

// leaves is a root whose drive is pulled out when it is asked for a file once too often.
type leaves struct {
	stores.Root
	after *int
}

func (l leaves) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	if *l.after--; *l.after < 0 {
		return fixity.Entry{}, fmt.Errorf("%w: unplugged", fixity.ErrAway)
	}
	return l.Root.Stat(ctx, path)
}

// A store that goes away in the middle of a drill has failed in nothing: no drill is recorded, no
// copy is to be read anew, and the next drill is due at once.
func TestADrillWhoseStoreGoesAwayIsNone(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo, songFile)
		w.configured("own_drive = true", "own_drive = true\ndrill_within = \"30d\"")
		after := 1
		w.rig("vault", func(r stores.Root) stores.Root { return leaves{r, &after} })
		before := len(w.events())
		d, done, err := w.app.Recovering.DrillIfDue(w.Context(), "vault")
		if w.must(err); !done || d.Away == "" || len(d.Failed) > 0 || len(w.events()) != before {
			t.Errorf("%t, %+v, %d events more", done, d, len(w.events())-before)
		}
		after = 100
		d, done, err = w.app.Recovering.DrillIfDue(w.Context(), "vault")
		if w.must(err); !done || d.Proved != 3 {
			t.Errorf("there again: %t, %+v", done, d)
		}
	})
}
