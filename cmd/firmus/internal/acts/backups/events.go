package backups

import (
	"bytes"
	"context"
	"errors"
	"path/filepath"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// eventSource are event files in one place.
type EventSource struct {
	ledger.Gathered
	From string
}

// EventSources finds all event files: those of a lost ledger in the state folder, and those
// of the backups in the stores. What can't be read is said.
func (e Acts) EventSources(ctx context.Context) (out []EventSource, err error) {
	take := func(text []byte, from string) error {
		g, err := ledger.GatherEvents(bytes.NewReader(text))
		if err == nil && len(text) > 0 {
			out = append(out, EventSource{g, from})
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
		if !e.Listable(s.Kind) || s.Kind == archive.CloudKind || len(s.Sets) == 0 {
			continue
		}
		for _, set := range s.Sets {
			if err := e.storedEvents(ctx, s.Name, set, take); err != nil {
				e.Sayf("store %s: its event files can't be read: %v", s.Name, err)
			}
		}
	}
	return out, nil
}

// storedEvents reads the event files of all backups in a root.
func (e Acts) storedEvents(ctx context.Context, store, set string, take func(text []byte, from string) error) error {
	root, err := e.Stores().Root(store, set, fixity.Bypassed)
	if err != nil {
		return err
	}
	g := generations{e: e, root: root, store: store, set: set}
	names, err := root.Names(ctx, archive.BackupFolder)
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
		text, err := eventsIn(ctx, root, dir)
		if err != nil {
			return err
		}
		if err := take(text, filepath.Join(e.Where(store, set), filepath.FromSlash(dir))); err != nil {
			return err
		}
	}
	return nil
}

// eventsLimit is the largest event file that is read: some million events a month.
const eventsLimit = 2 << 30

// eventsIn are the event files in one of our own folders in a root, in order; none if no
// such folder is there.
func eventsIn(ctx context.Context, root stores.Root, dir string) ([]byte, error) {
	months, err := root.Names(ctx, dir)
	if errors.Is(err, fixity.ErrAway) {
		return nil, err
	}
	if err != nil {
		return nil, nil // no folder
	}
	var b bytes.Buffer
	for _, m := range months {
		if !strings.HasSuffix(m, ".jsonl") {
			continue
		}
		t, err := root.ReadFile(ctx, dir+"/"+m, eventsLimit)
		if err != nil {
			return nil, err
		}
		b.Write(append(t, '\n'))
	}
	return b.Bytes(), nil
}
