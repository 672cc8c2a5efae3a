package backups

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

// Events are the record as plain text, a file a month, one event a line: what
// remains readable without this program, and what a lost ledger is rebuilt from.
type Events struct {
	Dir string
	// Show leaves files that aren't the record's as they are, and says so: for commands that
	// only show.
	Show bool
	Now  func() time.Time
	By   string
	Say  func(format string, args ...any) // may be nil

	mu sync.Mutex
	l  *ledger.Ledger // of which they are; nil while it is being opened
	// ends are, by name, the files that were last found to end with an event of the record:
	// one that is as it was then isn't read again at each commit.
	ends map[string]eventEnd
}

type eventEnd struct {
	size int64
	at   time.Time
	last int64 // number of its last event
}

// Begin makes them those of a ledger that has just been opened, and brings them up to it.
func (f *Events) Begin(l *ledger.Ledger) {
	f.mu.Lock()
	f.l = l
	f.mu.Unlock()
	f.BringUp(false)
}

// BringUp brings the event files up to the ledger; before Begin it does nothing. Each call
// carries on behind the last event that is there, so nothing is lost by a kill, whoever
// wrote last. A failure is said and isn't one of the act that was just committed: the next
// call makes up for it. With all it counts what the files hold, too, and finds also what
// lacks in their middle.
func (f *Events) BringUp(all bool) {
	within := 20 * time.Second
	if all {
		within = 10 * time.Minute
	}
	ctx, cancel := context.WithTimeout(context.Background(), within)
	defer cancel()
	aside, err := f.bringLocked(ctx, all)
	if err == nil && aside != "" {
		err = f.noteEarlier(ctx, aside)
	}
	if err != nil {
		f.say("the event files were not brought up to date (the ledger itself is): %v", err)
	}
}

func (f *Events) say(format string, args ...any) {
	if f.Say != nil {
		f.Say(format, args...)
	}
}

// bringLocked makes the files those of the ledger's record, under their lock. Files that
// are another record's, know more than the record does, or lack events in their middle are
// set aside and written anew: nothing is removed. aside is where they lie that the record
// differs from. With Show those are left, and it is said.
func (f *Events) bringLocked(ctx context.Context, all bool) (aside string, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	l := f.l
	if l == nil {
		return "", nil
	}
	unlock, err := l.LockHere(ctx, "events", "the event files", 10*time.Second, time.Now)
	if err != nil {
		return "", err
	}
	defer unlock()
	next, odd, err := f.next(ctx, l)
	if err != nil {
		return "", err
	}
	if odd.why == "" && all {
		var want int64 // as much as was copied: more may be recorded meanwhile
		if err := f.copyFrom(ctx, l, next, func(t *ledger.Tx) (err error) { want, err = t.Log.LeafBytes(); return err }); err != nil {
			return "", err
		}
		if odd.why, err = f.count(want); err != nil || odd.why == "" {
			return "", err
		}
	}
	if odd.differs && f.Show {
		f.say("the event files in %s are not those of the ledger (%s): it may be an earlier copy. \"firmus ledger verify\" says more", f.Dir, odd.why)
		return "", nil
	}
	if odd.why != "" {
		to, err := setAside(f.Dir, "events-aside")
		if err != nil {
			return "", err
		}
		f.say("the event files were not those of the record (%s): they were set aside as %s, and are written anew", odd.why, to)
		if odd.differs {
			aside = to
		}
		next, f.ends = 0, nil
	}
	return aside, f.copyFrom(ctx, l, next, nil)
}

// noteEarlier does for a ledger that an earlier copy was put in the place of what a
// restore does: numbers go on behind those in the event files, letters aren't sent again,
// and the record tells of what is lost. Files of other holdings say nothing of it.
func (f *Events) noteEarlier(ctx context.Context, aside string) error {
	own, err := gather(aside)
	if err != nil || len(own) == 0 {
		return err
	}
	holdings := ""
	if err := f.l.View(ctx, func(t *ledger.Tx) (err error) { holdings, err = t.Stores.Holdings(); return err }); err != nil || own[0].Holdings != holdings {
		return err
	}
	lost, err := f.l.Restored(ctx, f.Now(), ledger.Restoring{From: "an earlier copy that was put in its place by hand", By: f.By, Own: &own[0]})
	if err != nil {
		return err
	}
	f.say("THE LEDGER IS AN EARLIER COPY of itself: %s lacking in it, from %s to %s. What was taken in, found or decided then is not known any more. They can be read as text in %s. Now run: firmus intake, then firmus audit. Next time use \"firmus ledger restore\"",
		fixity.Counted(lost.Events, "event", "is", "are"), lost.First.UTC().Format("2 Jan 2006 15:04 UTC"), lost.Last.UTC().Format("2 Jan 2006 15:04 UTC"), aside)
	return nil
}

// Differ says how they differ from the record; "" if they are a beginning of it. It
// matters only with Show: else BringUp has mended it.
func (f *Events) Differ(ctx context.Context) (why string, err error) {
	f.mu.Lock()
	defer f.mu.Unlock()
	unlock, err := f.l.LockHere(ctx, "events", "the event files", 10*time.Second, time.Now)
	if err != nil {
		return "", err
	}
	defer unlock()
	_, odd, err := f.next(ctx, f.l)
	if err != nil || !odd.differs {
		return "", err
	}
	return fmt.Sprintf("the event files in %s know what the ledger doesn't: %s. The ledger may be an earlier copy, or have been cut back", f.Dir, odd.why), nil
}

// oddity is why event files can't be carried on.
type oddity struct {
	why     string // "" if they can
	differs bool   // an event in them is not the record's, so the record is another or an earlier one
}

// copyFrom appends the events from a number on. ended, if set, is asked of the record in which
// no other follows.
func (f *Events) copyFrom(ctx context.Context, l *ledger.Ledger, next int64, ended func(*ledger.Tx) error) error {
	if err := private.MkdirAll(f.Dir); err != nil {
		return err
	}
	for {
		var page []ledger.Event
		if err := l.View(ctx, func(t *ledger.Tx) error {
			if err := t.Log.Each(next, 500, func(e ledger.Event) error { page = append(page, e); return nil }); err != nil || len(page) > 0 || ended == nil {
				return err
			}
			return ended(t)
		}); err != nil || len(page) == 0 {
			return err
		}
		if err := f.append(page); err != nil {
			return err
		}
		next = page[len(page)-1].Seq + 1
	}
}

func (f *Events) append(page []ledger.Event) error {
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
		w, err := private.OpenFile(filepath.Join(f.Dir, name), os.O_WRONLY|os.O_CREATE|os.O_APPEND)
		if err != nil {
			return err
		}
		_, err = w.Write(texts[name].Bytes())
		delete(f.ends, w.Name())
		if err = errors.Join(err, w.Close()); err != nil {
			return err
		}
	}
	return nil
}

// next is the number behind the greatest that the files hold, and what is odd about
// them. The last event of each file is held against the
// ledger's leaf. What stands behind it, the torn end or the zeros that a power cut leaves,
// is cut away; unless that is in the newest file events may lack then, which is odd.
func (f *Events) next(ctx context.Context, l *ledger.Ledger) (next int64, odd oddity, err error) {
	names, err := filepath.Glob(filepath.Join(f.Dir, "*.jsonl"))
	if err != nil {
		return 0, odd, err
	}
	torn, last := map[string]bool{}, map[string]int64{}
	if f.ends == nil {
		f.ends = map[string]eventEnd{}
	}
	for _, name := range names {
		if st, err := os.Stat(name); err == nil {
			if e, ok := f.ends[name]; ok && e.size == st.Size() && e.at.Equal(st.ModTime()) {
				last[name], next = e.last, max(next, e.last+1)
				continue
			}
		}
		line, cut, err := lastEvent(name)
		if err != nil {
			return 0, odd, err
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
		if err := l.View(ctx, func(t *ledger.Tx) error { leaf, err = t.Log.LeafAt(e.Seq); return err }); err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return 0, odd, err
		}
		if !bytes.Equal(leaf, line) {
			why := "is another one"
			if leaf == nil {
				why = "lies behind the record's end"
			}
			return 0, oddity{fmt.Sprintf("event %d in %s %s", e.Seq, filepath.Base(name), why), true}, nil
		}
		last[name], next = e.Seq, max(next, e.Seq+1)
		if st, err := os.Stat(name); err == nil && !cut {
			f.ends[name] = eventEnd{st.Size(), st.ModTime(), e.Seq}
		}
	}
	for _, name := range names {
		if torn[name] && last[name]+1 < next {
			return 0, oddity{why: fmt.Sprintf("the end of %s is torn", filepath.Base(name))}, nil
		}
	}
	return next, odd, nil
}

// count holds the length of all lines against that of the events that were copied.
func (f *Events) count(want int64) (odd string, err error) {
	names, err := filepath.Glob(filepath.Join(f.Dir, "*.jsonl"))
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
	switch {
	case zeros:
		return "there are zeros among their lines", nil
	case size < want:
		return "events lack in them", nil
	}
	return "", nil
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

// SetAsideLost keeps the event files of a ledger that is gone apart from those of
// the one that is about to be made: its record is another one, until it is told to
// take the lost one over.
func SetAsideLost(state string) error {
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
			if err := os.Rename(dir, to); err != nil {
				return "", err
			}
			return to, private.Flush(filepath.Dir(dir))
		}
	}
}
