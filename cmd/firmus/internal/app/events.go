package app

import (
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

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
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
func (a *App) copyEvents(say func(string, ...any)) { a.bringEvents(say, false) }

// bringEvents is copyEvents; with all it counts what the files hold, too, and finds also
// what lacks in their middle.
func (a *App) bringEvents(say func(string, ...any), all bool) {
	if a.Ledger == nil {
		return // it is just being opened; Open calls again
	}
	a.events.mu.Lock()
	defer a.events.mu.Unlock()
	within := 20 * time.Second
	if all {
		within = 10 * time.Minute
	}
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	unlock, err := a.Ledger.LockStore(ctx, ".events", "the event files", 10*time.Second, time.Now)
	if err == nil {
		defer unlock()
		err = a.events.bring(ctx, a.Ledger, all, say)
	}
	if err != nil && say != nil {
		say("the event files were not brought up to date (the ledger itself is): %v", err)
	}
}

// bring makes the files those of the ledger's record. Files that are another record's,
// or lack events in their middle, are set aside and written anew: nothing is removed.
func (f *eventFiles) bring(ctx context.Context, l *ledger.Ledger, all bool, say func(string, ...any)) error {
	next, odd, err := f.next(ctx, l)
	if err != nil {
		return err
	}
	if odd == "" && all {
		if err := f.copyFrom(ctx, l, next); err != nil {
			return err
		}
		if odd, err = f.count(ctx, l); err != nil || odd == "" {
			return err
		}
	}
	if odd != "" {
		to, err := setAside(f.dir, "events-aside")
		if err != nil {
			return err
		}
		if say != nil {
			say("the event files were not those of the record (%s): they were set aside as %s, and are written anew", odd, to)
		}
		next = 0
	}
	return f.copyFrom(ctx, l, next)
}

func (f *eventFiles) copyFrom(ctx context.Context, l *ledger.Ledger, next int64) error {
	if err := private.MkdirAll(f.dir); err != nil {
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
		w, err := private.OpenFile(filepath.Join(f.dir, name), os.O_WRONLY|os.O_CREATE|os.O_APPEND)
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

// next is the number behind the greatest that the files hold, and what is odd about
// them; "" if they can be carried on. The last event of each file is held against the
// ledger's leaf. What stands behind it, the torn end or the zeros that a power cut leaves,
// is cut away; unless that is in the newest file events may lack then, which is odd.
func (f *eventFiles) next(ctx context.Context, l *ledger.Ledger) (next int64, odd string, err error) {
	names, err := filepath.Glob(filepath.Join(f.dir, "*.jsonl"))
	if err != nil {
		return 0, "", err
	}
	torn, last := map[string]bool{}, map[string]int64{}
	for _, name := range names {
		line, cut, err := lastEvent(name)
		if err != nil {
			return 0, "", err
		}
		torn[name], last[name] = cut, -1
		if line == nil {
			torn[name] = true
			continue
		}
		var e struct {
			Seq int64 `json:"seq"`
		}
		_ = json.Unmarshal(line, &e) // lastEvent has done it
		var leaf []byte
		if err := l.View(ctx, func(t *ledger.Tx) error { leaf, err = t.LeafAt(e.Seq); return err }); err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return 0, "", err
		}
		if !bytes.Equal(leaf, line) {
			return 0, fmt.Sprintf("event %d in %s is another one", e.Seq, filepath.Base(name)), nil
		}
		last[name], next = e.Seq, max(next, e.Seq+1)
	}
	for _, name := range names {
		if torn[name] && last[name]+1 < next {
			return 0, fmt.Sprintf("the end of %s is torn", filepath.Base(name)), nil
		}
	}
	return next, "", nil
}

// count holds the number and length of all lines against the record.
func (f *eventFiles) count(ctx context.Context, l *ledger.Ledger) (odd string, err error) {
	names, err := filepath.Glob(filepath.Join(f.dir, "*.jsonl"))
	if err != nil {
		return "", err
	}
	var size int64
	zeros := false
	for _, name := range names {
		r, err := os.Open(name)
		if err != nil {
			return "", err
		}
		n, err := io.Copy(zeroFinder{&zeros}, r)
		if err = errors.Join(err, r.Close()); err != nil {
			return "", err
		}
		size += n
	}
	var want int64
	if err := l.View(ctx, func(t *ledger.Tx) (err error) { want, err = t.LeafBytes(); return err }); err != nil {
		return "", err
	}
	switch {
	case zeros:
		return "there are zeros among their lines", nil
	case size < want:
		return "events lack in them", nil
	}
	return "", nil // more: an event was recorded meanwhile
}

// zeroFinder notes whether zeros are written to it.
type zeroFinder struct{ found *bool }

func (z zeroFinder) Write(p []byte) (int, error) {
	*z.found = *z.found || bytes.IndexByte(p, 0) >= 0
	return len(p), nil
}

// lastEvent gives the last line of a file that is an event, nil if there is none, and
// whether anything stood behind it, which is cut away.
func lastEvent(name string) (line []byte, cut bool, err error) {
	w, err := os.OpenFile(name, os.O_RDWR, 0)
	if err != nil {
		return nil, false, err
	}
	defer w.Close()
	st, err := w.Stat()
	if err != nil {
		return nil, false, err
	}
	// An event is some hundred bytes. What a power cut leaves may be any length.
	for tail := int64(1 << 16); ; tail *= 64 {
		from := max(0, st.Size()-tail)
		b, err := io.ReadAll(io.NewSectionReader(w, from, tail))
		if err != nil {
			return nil, false, err
		}
		end := len(b)
		for end > 0 {
			begin := bytes.LastIndexByte(b[:end-1], '\n') + 1
			if b[end-1] == '\n' && (begin > 0 || from == 0) && isEvent(b[begin:end-1]) {
				line = b[begin : end-1]
				break
			}
			end = begin
		}
		if line == nil && from > 0 {
			continue
		}
		if cut = end < len(b); cut {
			err = w.Truncate(from + int64(end))
		}
		return line, cut, err
	}
}

func isEvent(line []byte) bool {
	var e struct {
		Seq  *int64 `json:"seq"`
		Verb string `json:"verb"`
	}
	return json.Unmarshal(line, &e) == nil && e.Seq != nil && e.Verb != ""
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
	_, err = setAside(filepath.Join(state, "events"), "events-lost")
	return err
}

// setAside gives a folder another name beside it, with a number behind it.
func setAside(dir, as string) (to string, err error) {
	for i := 1; ; i++ {
		to = filepath.Join(filepath.Dir(dir), fmt.Sprintf("%s-%d", as, i))
		if _, err := os.Lstat(to); errors.Is(err, os.ErrNotExist) {
			return to, os.Rename(dir, to)
		}
	}
}
