package receiving

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// RebuildResult is what was rebuilt of a lost ledger.
type RebuildResult struct {
	Events int64 // of the lost record; 0: a new record begins
	From   string
	Intake IntakeResult
}

// rebuildWait is how long a store is waited for, at least: the record is there by then, and
// without the files it is half a ledger.
const rebuildWait = time.Minute

// Rebuild makes a lost ledger anew: its record from the event files, if there are
// any, in the state folder or in a store; its files from the stores, held against
// the manifests beside them. Each file that a manifest contradicts is disputed.
// What neither has (discs, decisions, earlier versions, when copies were last read)
// is not known any more: the record still tells of it. It is refused if the ledger
// knows any file, unless it was made anew itself: a rebuild that was broken off goes on.
//
// It is a person's order, so it takes over the markers of the lost ledger. Backups of
// that stay where they are, outside the rotation: they know more.
func (e Acts) Rebuild(ctx context.Context, o IntakeOrder) (res RebuildResult, err error) {
	empty, begun := false, ledger.Rebuilding{}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if empty, err = t.Log.Empty(); err == nil {
			begun, err = t.Log.Rebuilding()
		}
		return err
	}); err != nil {
		return res, err
	}
	switch {
	case begun.At.IsZero() && !empty:
		return res, fmt.Errorf("the ledger is there and knows files: nothing is to be rebuilt: %w", fixity.ErrRefused)
	case begun.At.IsZero():
		if res, begun, err = e.rebuildRecord(ctx); err != nil {
			return res, err
		}
	default:
		e.Sayf("this ledger was made anew on %s; what has not been taken in since is taken in now", begun.At.Format("2 Jan 2006 15:04 UTC"))
	}
	if begun.Events == 0 { // the markers are those of the lost ledger
		all := *e.Archive // others who use it take nothing over
		all.Lost = &begun.Lost
		e = Of(&all)
	}
	// A daemon that finds the record again begins audits at once.
	o.Wait, o.stays = max(o.Wait, rebuildWait), true
	res.Intake, err = e.Intake(ctx, o)
	return res, err
}

// rebuildRecord makes the record from the best event files, or begins a new one. All of
// it is one transaction: after a kill there is nothing of it, or the whole.
func (e Acts) rebuildRecord(ctx context.Context) (res RebuildResult, begun ledger.Rebuilding, err error) {
	sources, err := backups.Of(e.Archive).EventSources(ctx)
	if err != nil {
		return res, begun, err
	}
	best, others, err := e.bestEvents(ctx, sources)
	if err != nil {
		return res, begun, err
	}
	if best.Events > 0 {
		// What is there are the few events of this ledger, which is about to become
		// the lost one. They are written again from the ledger, whatever happens.
		if err := os.RemoveAll(filepath.Join(e.Ledger.State(), "events")); err != nil {
			return res, begun, err
		}
		if err = e.Ledger.Import(ctx, e.Now(), best.Gathered, e.By, others...); err != nil {
			return res, begun, fmt.Errorf("event files from %s: %w", best.From, err)
		}
		res.Events, res.From = best.Events, best.From
		e.Sayf("the record goes on: %s from %s", fixity.Count(res.Events, "event"), best.From)
		if best.Torn > 0 {
			e.Sayf("%s torn or overwritten with zeros, and %s", fixity.Counted(best.Torn, "line", "in the event files is", "in the event files are"), fixity.OneOr(best.Torn, "no event", "no events"))
		}
		if best.Beyond > 0 {
			e.Sayf("event %d lacks in the event files, so the %d behind it are no part of the record; they stay in %s", best.Events, best.Beyond, best.From)
		}
		return res, begun, e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { begun, err = t.Log.Rebuilding(); return err })
	}
	// The marker of the lost ledger in the arrivals store says which it was.
	begun.Lost = e.arrivalsMarker(ctx)
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		empty, err := t.Log.Empty()
		if err != nil {
			return err
		}
		if !empty {
			return fmt.Errorf("the ledger knows files now: nothing is to be rebuilt: %w", fixity.ErrChangedMeanwhile)
		}
		t.Event(ledger.Event{Verb: fixity.LedgerRebuilt, By: e.By, Data: map[string]any{"events": 0, "lost": begun.Lost}})
		return nil
	}); err != nil {
		return res, begun, err
	}
	e.Sayf("no event files were found: a new record begins, and says so")
	return res, begun, nil
}

// bestEvents are the event files that go farthest. If they are of several holdings only
// those count that the arrivals stores' markers name; without one a person must say it.
func (e Acts) bestEvents(ctx context.Context, all []backups.EventSource) (best backups.EventSource, others []ledger.Gathered, err error) {
	kinds := map[string]bool{}
	for _, s := range all {
		if s.Events > 0 {
			kinds[s.Holdings] = true
		}
	}
	if len(kinds) > 1 {
		marked := e.arrivalsMarker(ctx)
		if !kinds[marked] {
			var names []string
			for _, s := range all {
				names = append(names, fmt.Sprintf("%s (holdings %s)", s.From, s.Holdings))
			}
			return best, nil, fmt.Errorf("there are event files of several holdings, and no marker in an arrivals store says which are these: %s. Move the others away: %w",
				strings.Join(names, ", "), fixity.ErrRefused)
		}
		all = slices.DeleteFunc(slices.Clone(all), func(s backups.EventSource) bool { return s.Holdings != marked })
	}
	for _, s := range all {
		if s.Events > best.Events {
			best = s
		}
		others = append(others, s.Gathered)
	}
	return best, others, nil
}

// arrivalsMarker is the holdings that the marker in an arrivals store names; "" if none
// does.
func (e Acts) arrivalsMarker(ctx context.Context) string {
	for _, s := range e.Rules.Stores {
		for _, set := range s.Sets {
			if !s.Arrivals || e.NoMarker(s.Name) {
				continue
			}
			root, err := e.Stores().Root(s.Name, set, fixity.Bypassed)
			if err != nil {
				continue
			}
			if id, err := root.Identify(ctx); err == nil && id.Marked() {
				return id.Holdings
			}
		}
	}
	return ""
}
