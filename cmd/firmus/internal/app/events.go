package app

import (
	"bufio"
	"bytes"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"sync"
	"time"

	"firmus/fixity/ledger"
)

// eventFiles are the record as plain text, a file a month, one event a line: what
// remains readable without this program, and what a lost ledger is rebuilt from.
type eventFiles struct {
	mu  sync.Mutex
	dir string
}

// copyEvents brings the event files up to the ledger. Each call carries on behind
// the last event that is there, so nothing is lost by a kill, whoever wrote last.
// A failure is said and isn't one of the act that was just committed: the next
// call makes up for it.
func (a *App) copyEvents(say func(string, ...any)) {
	if a.Ledger == nil {
		return // it is just being opened; Open calls again
	}
	a.events.mu.Lock()
	defer a.events.mu.Unlock()
	ctx, cancel := context.WithTimeout(context.Background(), 20*time.Second)
	defer cancel()
	unlock, err := a.Ledger.LockStore(ctx, ".events", "the event files", 10*time.Second, time.Now)
	if err == nil {
		defer unlock()
		err = a.events.copyFrom(ctx, a.Ledger)
	}
	if err != nil && say != nil {
		say("the event files were not brought up to date (the ledger itself is): %v", err)
	}
}

func (f *eventFiles) copyFrom(ctx context.Context, l *ledger.Ledger) error {
	if err := os.MkdirAll(f.dir, 0o700); err != nil {
		return err
	}
	next, err := f.next()
	if err != nil {
		return err
	}
	for {
		var page []ledger.Event
		if err := l.View(ctx, func(t *ledger.Tx) error {
			return t.Events(next, 500, func(e ledger.Event) error { page = append(page, e); return nil })
		}); err != nil || len(page) == 0 {
			return err
		}
		if err := f.append(page); err != nil {
			return err
		}
		next = page[len(page)-1].Seq + 1
	}
}

func (f *eventFiles) append(page []ledger.Event) error {
	texts := map[string]*bytes.Buffer{}
	var names []string
	for _, e := range page {
		name := e.At.UTC().Format("2006-01") + ".jsonl"
		if texts[name] == nil {
			texts[name] = &bytes.Buffer{}
			names = append(names, name)
		}
		texts[name].Write(append(e.Leaf(), '\n'))
	}
	for _, name := range names {
		w, err := os.OpenFile(filepath.Join(f.dir, name), os.O_WRONLY|os.O_CREATE|os.O_APPEND, 0o600)
		if err != nil {
			return err
		}
		_, err = w.Write(texts[name].Bytes())
		if err = errors.Join(err, w.Close()); err != nil {
			return err
		}
	}
	return nil
}

// next is the number behind the greatest that the files hold. The last line of each
// file is looked at; one that a crash cut short is cut away first.
func (f *eventFiles) next() (int64, error) {
	names, err := filepath.Glob(filepath.Join(f.dir, "*.jsonl"))
	if err != nil {
		return 0, err
	}
	next := int64(0)
	for _, name := range names {
		last, err := lastLine(name)
		if err != nil {
			return 0, err
		}
		if last == nil {
			continue
		}
		var e struct {
			Seq int64 `json:"seq"`
		}
		if err := json.Unmarshal(last, &e); err != nil {
			return 0, fmt.Errorf("%s: its last line is no event: %w", name, err)
		}
		next = max(next, e.Seq+1)
	}
	return next, nil
}

func lastLine(name string) ([]byte, error) {
	w, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return nil, err
	}
	defer w.Close()
	st, err := w.Stat()
	if err != nil {
		return nil, err
	}
	const tail = 1 << 20 // an event is some hundred bytes
	from := max(0, st.Size()-tail)
	b, err := io.ReadAll(bufio.NewReader(io.NewSectionReader(w, from, tail)))
	if err != nil {
		return nil, err
	}
	end := bytes.LastIndexByte(b, '\n') + 1
	if end < len(b) {
		if err := w.Truncate(from + int64(end)); err != nil {
			return nil, err
		}
	}
	b = bytes.TrimSuffix(b[:end], []byte("\n"))
	if len(b) == 0 {
		return nil, nil
	}
	return b[bytes.LastIndexByte(b, '\n')+1:], nil
}

// setAsideLost keeps the event files of a ledger that is gone apart from those of
// the one that is about to be made: its record is another one, until it is told to
// take the lost one over.
func setAsideLost(state string) error {
	if _, err := os.Stat(filepath.Join(state, "ledger.db")); !errors.Is(err, os.ErrNotExist) {
		return err
	}
	names, err := filepath.Glob(filepath.Join(state, "events", "*.jsonl"))
	if err != nil || len(names) == 0 {
		return err
	}
	for i := 1; ; i++ {
		to := filepath.Join(state, fmt.Sprintf("events-lost-%d", i))
		if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
			return os.Rename(filepath.Join(state, "events"), to)
		}
	}
}
