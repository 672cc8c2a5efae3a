package acts

import (
	"bytes"
	"context"
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// RebuildResult is what was rebuilt of a lost ledger.
type RebuildResult struct {
	Events int64 // of the lost record; 0: a new record begins
	From   string
	Intake IntakeResult
}

// Rebuild makes a lost ledger anew: its record from the event files, if there are
// any, in the state folder or in a store; its files from the stores, held against
// the manifests beside them. Each file that a manifest contradicts is disputed.
// What neither has (discs, decisions, earlier versions, when copies were last read)
// is not known any more: the record still tells of it. It is refused if the ledger
// knows any file, unless it was made anew itself: a rebuild that was broken off goes on.
//
// It is a person's order, so it takes over the markers of the lost ledger. Backups of
// that stay where they are, outside the rotation: they know more.
func (e *Env) Rebuild(ctx context.Context, o IntakeOrder) (res RebuildResult, err error) {
	empty, begun := false, ledger.Rebuilding{}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if empty, err = t.Empty(); err == nil {
			begun, err = t.Rebuilding()
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
		e.say("this ledger was made anew on %s; what has not been taken in since is taken in now", begun.At.Format("2006-01-02 15:04 UTC"))
	}
	if begun.Events == 0 { // the markers are those of the lost ledger
		e.lost = &begun.Lost
		defer func() { e.lost = nil }()
	}
	res.Intake, err = e.Intake(ctx, o)
	return res, err
}

// rebuildRecord makes the record from the best event files, or begins a new one. All of
// it is one transaction: after a kill there is nothing of it, or the whole.
func (e *Env) rebuildRecord(ctx context.Context) (res RebuildResult, begun ledger.Rebuilding, err error) {
	sources, err := e.eventFiles(ctx)
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
			return res, begun, fmt.Errorf("event files from %s: %w", best.from, err)
		}
		res.Events, res.From = best.Events, best.from
		e.say("the record goes on: %d events from %s", res.Events, best.from)
		if best.Torn > 0 {
			e.say("%d lines in the event files are torn or overwritten with zeros, and no events", best.Torn)
		}
		if best.Beyond > 0 {
			e.say("event %d lacks in the event files, so the %d behind it are no part of the record; they stay in %s", best.Events, best.Beyond, best.from)
		}
		return res, begun, e.Ledger.View(ctx, func(t *ledger.Tx) (err error) { begun, err = t.Rebuilding(); return err })
	}
	// The marker of the lost ledger in the arrivals store says which it was.
	begun.Lost = e.arrivalsMarker(ctx)
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		t.Event(ledger.Event{Verb: fixity.LedgerRebuilt, By: e.By, Reason: "no event files were found: a new record begins, from manifests alone", Data: map[string]any{"events": 0, "lost": begun.Lost}})
		return nil
	}); err != nil {
		return res, begun, err
	}
	e.say("no event files were found: a new record begins, and says so")
	return res, begun, nil
}

// eventSource are event files in one place.
type eventSource struct {
	ledger.Gathered
	from string
}

// bestEvents are the event files that go farthest. If they are of several holdings only
// those count that the arrivals stores' markers name; without one a person must say it.
func (e *Env) bestEvents(ctx context.Context, all []eventSource) (best eventSource, others []ledger.Gathered, err error) {
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
				names = append(names, fmt.Sprintf("%s (holdings %s)", s.from, s.Holdings))
			}
			return best, nil, fmt.Errorf("there are event files of several holdings, and no marker in an arrivals store says which are these: %s. Move the others away: %w",
				strings.Join(names, ", "), fixity.ErrRefused)
		}
		all = slices.DeleteFunc(slices.Clone(all), func(s eventSource) bool { return s.Holdings != marked })
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
func (e *Env) arrivalsMarker(ctx context.Context) string {
	for _, s := range e.Rules.Stores {
		for _, set := range s.Sets {
			if !s.Arrivals || e.NoMarker(s.Name) {
				continue
			}
			root, err := e.Root(s.Name, set, fixity.Bypassed)
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

// eventFiles finds all event files: those of a lost ledger in the state folder, and those
// of the backups in the stores. What can't be read is said.
func (e *Env) eventFiles(ctx context.Context) (out []eventSource, err error) {
	take := func(text []byte, from string) error {
		g, err := ledger.GatherEvents(bytes.NewReader(text))
		if err == nil && len(text) > 0 {
			out = append(out, eventSource{g, from})
		}
		return err
	}
	dirs, err := filepath.Glob(filepath.Join(e.Ledger.State(), "events-*"))
	if err != nil {
		return nil, err
	}
	for _, dir := range dirs {
		text, err := ledger.EventText(dir)
		if err != nil {
			return nil, err
		}
		if err := take(text, dir); err != nil {
			return nil, err
		}
	}
	for _, s := range e.Rules.Stores {
		if !e.listable(s.Kind) || s.Kind == cloudKind || len(s.Sets) == 0 {
			continue
		}
		for _, set := range s.Sets {
			if err := e.storedEvents(ctx, s.Name, set, take); err != nil {
				e.say("store %s: its event files can't be read: %v", s.Name, err)
			}
		}
	}
	return out, nil
}

// storedEvents reads the event files of all backups in a root.
func (e *Env) storedEvents(ctx context.Context, store, set string, take func(text []byte, from string) error) error {
	root, err := e.Root(store, set, fixity.Bypassed)
	if err != nil {
		return err
	}
	g := generations{e: e, root: root, store: store, set: set}
	names, err := root.Names(ctx, BackupFolder)
	if err != nil {
		return err
	}
	for _, name := range names {
		if strings.HasPrefix(name, unfinishedPrefix) {
			continue
		}
		dir := g.path(name, "events")
		if name == "events" { // as the first version wrote them
			dir = g.path(name)
		}
		months, err := root.Names(ctx, dir)
		if err != nil {
			continue // no folder
		}
		var b bytes.Buffer
		for _, m := range months {
			if !strings.HasSuffix(m, ".jsonl") {
				continue
			}
			t, err := root.ReadFile(ctx, dir+"/"+m, eventsLimit)
			if err != nil {
				return err
			}
			b.Write(append(t, '\n'))
		}
		if err := take(b.Bytes(), filepath.Join(e.Where(store, set), filepath.FromSlash(dir))); err != nil {
			return err
		}
	}
	return nil
}

// eventsLimit is the largest event file that is read: some million events a month.
const eventsLimit = 2 << 30
