package app_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// back is a restore of a ledger that may be whole.
func back(o *backups.RestoreOrder) { o.GoBack = true }

func (w *world) restore(change func(*backups.RestoreOrder)) (backups.Restored, error) {
	w.t.Helper()
	cfg, err := config.Load(w.path("firmus.toml"))
	if err != nil {
		w.t.Fatal(err)
	}
	o := backups.RestoreOrder{By: "the test", Now: func() time.Time { return w.now }, Say: func(string, ...any) {}}
	if change != nil {
		change(&o)
	}
	return app.Restore(w.t.Context(), cfg, o)
}

// facts are what a ledger holds: its events, and whether its record and files agree.
func (w *world) facts() (events int64, files int64) {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	v, err := a.Ledger.Verify(w.t.Context())
	if err != nil {
		w.t.Errorf("verify: %v", err)
	}
	if err := a.Ledger.View(w.t.Context(), func(t *ledger.Tx) error {
		ts, err := t.Copies.Tallies()
		for _, x := range ts {
			files += x.Files
		}
		return err
	}); err != nil {
		w.t.Error(err)
	}
	w.sameEvents(a)
	return v.Events, files
}

// sameEvents holds the event files against the record.
func (w *world) sameEvents(a *app.App) {
	w.t.Helper()
	names, _ := filepath.Glob(w.path("state/events/*.jsonl"))
	var b bytes.Buffer
	for _, n := range names {
		text, err := os.ReadFile(n)
		if err != nil {
			w.t.Fatal(err)
		}
		b.Write(text)
	}
	g, err := ledger.GatherEvents(&b)
	if err != nil {
		w.t.Fatal(err)
	}
	var events int64
	if err := a.Ledger.View(w.t.Context(), func(t *ledger.Tx) (err error) { events, err = t.Log.Count(); return err }); err != nil {
		w.t.Fatal(err)
	}
	if g.Events != events || g.Beyond != 0 || g.Torn != 0 {
		w.t.Errorf("the event files hold %d events, %d beyond, %d torn lines; the record %d", g.Events, g.Beyond, g.Torn, events)
	}
}

// copyTree copies the world to a place of its own.
func (w *world) copyTree() *world {
	w.t.Helper()
	x := &world{t: w.t, dir: w.t.TempDir(), now: w.now}
	if err := os.CopyFS(x.dir, os.DirFS(w.dir)); err != nil {
		w.t.Fatal(err)
	}
	return x
}

// Wherever the power goes off while a backup is written, one that is whole is there, and
// the next one is written as ever.
func TestAKillWhileABackupIsWrittenNeverLeavesNoneThatIsWhole(t *testing.T) {
	t.Parallel()
	base := backedUp(t, "")
	base.backUp(8, 24*time.Hour) // the next one removes one, too
	for k := 1; ; k++ {
		w := base.copyTree()
		w.now = w.now.Add(24 * time.Hour)
		a := w.open()
		p := &power{cutAt: k}
		p.wire(a)
		_, err := a.Backups.Backup(t.Context())
		a.Close()
		if err != nil {
			t.Fatal(err)
		}
		if !p.off {
			if k < 10 {
				t.Fatalf("it was cut %d times only", k-1)
			}
			return
		}
		w.remove("state")
		if _, err := w.restore(nil); err != nil {
			t.Fatalf("after a kill at step %d: %v", k, err)
		}
		if _, files := w.facts(); files != 4 {
			t.Errorf("after a kill at step %d there are %d copies", k, files)
		}
		w.backUp(1, 24*time.Hour)
		for _, g := range w.generations("studio") {
			if strings.HasPrefix(g, "unfinished") || strings.HasPrefix(g, "aside") {
				t.Errorf("after a kill at step %d: %s is left", k, g)
			}
		}
	}
}

var errKilled = errors.New("killed")

// Wherever a restore is killed, no other command begins a ledger or takes half of one for
// whole, and the next restore ends it. What was there lies together.
func TestAKillWhileALedgerIsRestoredNeverLosesIt(t *testing.T) {
	t.Parallel()
	base := backedUp(t, "")
	// The lost ledger has a write-ahead log, as one that was killed.
	for _, n := range []string{"ledger.db-wal", "ledger.db-shm"} {
		base.put("state/"+n, []byte("of "+n), base.now)
	}
	base.put("state/ledger.db", []byte("no database any more"), base.now)
	for k := 0; ; k++ {
		w := base.copyTree()
		step, at := 0, ""
		_, err := w.restore(func(o *backups.RestoreOrder) {
			o.Step = func(name string) error {
				if step++; step > k {
					at = name
					return errKilled
				}
				return nil
			}
		})
		if at == "" {
			if err != nil || k < 6 {
				t.Fatalf("%d steps: %v", k, err)
			}
			return
		}
		cfg, err := config.Load(w.path("firmus.toml"))
		if err != nil {
			t.Fatal(err)
		}
		a, err := app.Open(t.Context(), app.Options{Config: cfg, By: "the test", Now: func() time.Time { return w.now }})
		if err == nil {
			a.Close()
		}
		if done := at == "clean up"; (err == nil) != done {
			t.Errorf("killed before %q: opened: %v", at, err)
		}
		// A ledger that is in its place already is whole: it isn't restored once more.
		if _, err := w.restore(nil); errors.Is(err, fixity.ErrRefused) != (at == "clean up") || err != nil && at != "clean up" {
			t.Fatalf("killed before %q: restored again: %v", at, err)
		}
		if _, files := w.facts(); files != 4 {
			t.Errorf("killed before %q: %d copies", at, files)
		}
		found := 0
		for _, dir := range glob(t, w.path("state/ledger-aside-*")) {
			db, err := os.ReadFile(filepath.Join(dir, "ledger.db"))
			if err != nil || string(db) != "no database any more" {
				continue
			}
			if wal, err := os.ReadFile(filepath.Join(dir, "ledger.db-wal")); err != nil || string(wal) != "of ledger.db-wal" {
				t.Errorf("killed before %q: the database was parted from its log: %v", at, err)
			}
			found++
		}
		if found != 1 {
			t.Errorf("killed before %q: what was there is found %d times", at, found)
		}
	}
}

func glob(t *testing.T, pattern string) []string {
	t.Helper()
	out, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	return out
}

// A restore beside a process that has the ledger open would pull it away under it.
func TestALedgerIsNeverRestoredUnderAProcessThatHasItOpen(t *testing.T) {
	t.Parallel()
	w := backedUp(t, "")
	a := w.open()
	if _, err := w.restore(nil); !errors.Is(err, fixity.ErrBusy) {
		t.Errorf("beside an open one: %v", err)
	}
	a.Close()
	if _, err := w.restore(back); err != nil {
		t.Error(err)
	}
}

// What was recorded after the backup is told as lost, its numbers are not given again,
// and the event files hold nothing of it any more, however often that happens.
func TestNumbersOfALostFutureAreNeverGivenAgain(t *testing.T) {
	t.Parallel()
	w := backedUp(t, "")
	w.backUp(1, 24*time.Hour)
	w.now = w.now.Add(time.Hour)
	if err := os.Remove(w.path("vault/masters/QV-0100/QV-0100_A.wav")); err != nil {
		t.Fatal(err)
	}
	w.audit(acts.AuditOrder{})
	if err := os.Remove(w.path("vault/masters/QV-0101/QV-0101_A.wav")); err != nil {
		t.Fatal(err)
	}
	w.audit(acts.AuditOrder{})
	number := func() (out []int64) {
		a := w.open()
		defer a.Close()
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
			fs, err := x.Findings.Open("")
			for _, f := range fs {
				if f.Store == "vault" {
					out = append(out, f.ID)
				}
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return out
	}
	before := number()
	if len(before) < 2 {
		t.Fatalf("findings %v", before)
	}
	r, err := w.restore(back)
	if err != nil {
		t.Fatal(err)
	}
	if r.Lost.Events == 0 || r.NoEvents || !r.Lost.Last.Equal(w.now) || r.Aside == "" {
		t.Errorf("%+v", r)
	}
	w.facts()
	w.now = w.now.Add(time.Hour)
	w.audit(acts.AuditOrder{})
	for _, n := range number() {
		if n <= slices.Max(before) {
			t.Errorf("number %d was given again; before: %v", n, before)
		}
	}
	w.facts()
}

// Backups that have grown apart are listed; the person says which, and no other is lost.
func TestOfBackupsThatHaveGrownApartNoneIsTakenUnasked(t *testing.T) {
	t.Parallel()
	w := backedUp(t, "\n[store.drive]\nkind = \"disk\"\nmanifests = true\nown_drive = true\nsets = { masters = \"drive/masters\" }\n")
	for _, f := range []string{"masters/QV-0100/QV-0100_A.wav", "masters/QV-0101/QV-0101_A.wav"} {
		w.copy("studio/"+f, "drive/"+f)
	}
	w.now = w.now.Add(24 * time.Hour)
	w.audit(acts.AuditOrder{}) // backups in both
	w.remove("state")
	w.move("drive", "elsewhere")
	if _, err := w.restore(nil); err != nil {
		t.Fatal(err)
	}
	w.now = w.now.Add(30 * time.Hour)
	w.audit(acts.AuditOrder{})
	w.remove("state")
	w.remove("studio/masters/.firmus-ledger/" + w.generations("studio")[0])
	w.move("elsewhere", "drive")
	// The drive's record goes on by itself meanwhile: as on another computer.
	y := w.copyTree()
	y.remove("studio/masters/.firmus-ledger")
	if _, err := y.restore(nil); err != nil {
		t.Fatal(err)
	}
	y.now = y.now.Add(50 * time.Hour)
	y.audit(acts.AuditOrder{})
	w.remove("drive")
	if err := os.CopyFS(w.path("drive"), os.DirFS(y.path("drive"))); err != nil {
		t.Fatal(err)
	}
	_, err := w.restore(nil)
	if !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "firmus ledger restore studio 2") || !strings.Contains(err.Error(), "firmus ledger restore drive 2") {
		t.Fatalf("not named: %v", err)
	}
	if glob(t, w.path("state/ledger.db")) != nil {
		t.Error("a ledger was put in place all the same")
	}
	r, err := w.restore(func(o *backups.RestoreOrder) { o.Of = "drive"; o.Backup = newest(w.generations("drive")) })
	if err != nil || r.Store != "drive" {
		t.Fatalf("named: %+v, %v", r, err)
	}
	w.facts()
	had := w.generations("studio")
	w.now = w.now.Add(100 * time.Hour)
	w.audit(acts.AuditOrder{})
	for _, g := range had {
		if glob(t, w.path("studio/masters/.firmus-ledger/*"+g+"/ledger.db")) == nil {
			t.Errorf("%s is gone: %v", g, w.generations("studio"))
		}
	}
}

func newest(names []string) string { return slices.Max(names) }

// A damaged backup is passed over and told; an older whole one serves.
func TestADamagedBackupIsNeverRestored(t *testing.T) {
	t.Parallel()
	for _, c := range []struct {
		name  string
		spoil func([]byte) []byte
	}{
		{"cut short", func(b []byte) []byte { return b[:len(b)/2] }},
		{"zeros in a page", func(b []byte) []byte { clear(b[8192:12288]); return b }},
		{"empty", func([]byte) []byte { return nil }},
		{"another leaf", func(b []byte) []byte {
			return bytes.Replace(b, []byte(`"by":"the test","store":"vault"`), []byte(`"by":"the tesT","store":"vault"`), 1)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := backedUp(t, "")
			w.now = w.now.Add(24 * time.Hour)
			w.audit(acts.AuditOrder{})
			gens := w.generations("studio")
			if len(gens) < 2 {
				t.Fatal(gens)
			}
			file := "studio/masters/.firmus-ledger/" + newest(gens) + "/ledger.db"
			b, err := os.ReadFile(w.path(file))
			if err != nil {
				t.Fatal(err)
			}
			spoilt := c.spoil(bytes.Clone(b))
			if bytes.Equal(spoilt, b) {
				t.Fatal("nothing was spoilt")
			}
			w.put(file, spoilt, w.now)
			w.remove("state")
			r, err := w.restore(nil)
			if err != nil || len(r.Passed) != 1 || strings.Contains(r.From, newest(gens)) {
				t.Fatalf("%+v, %v", r, err)
			}
			w.facts()
		})
	}
}

// Event files as a power cut leaves them are those of the record again after the next
// command.
func TestEventFilesThatAPowerCutToreNeverStayTorn(t *testing.T) {
	t.Parallel()
	line := func(b []byte, n int) int { // where the line begins that is the nth from the end
		end := len(b)
		for range n {
			end = bytes.LastIndexByte(b[:end-1], '\n') + 1
		}
		return end
	}
	for _, c := range []struct {
		name string
		cut  func(dir, file string, b []byte) error
	}{
		{"a torn line", func(_, f string, b []byte) error { return os.WriteFile(f, b[:len(b)-20], 0o600) }},
		{"zeros behind", func(_, f string, b []byte) error { return os.WriteFile(f, append(b, make([]byte, 5000)...), 0o600) }},
		{"zeros in place of the last lines", func(_, f string, b []byte) error { clear(b[line(b, 3):]); return os.WriteFile(f, b, 0o600) }},
		{"zeros in the middle", func(_, f string, b []byte) error { clear(b[200:900]); return os.WriteFile(f, b, 0o600) }},
		{"zeros all over", func(_, f string, b []byte) error { clear(b); return os.WriteFile(f, b, 0o600) }},
		{"nothing", func(_, f string, b []byte) error { return os.WriteFile(f, nil, 0o600) }},
		{"no file", func(_, f string, b []byte) error { return os.Remove(f) }},
		{"the last lines lack", func(_, f string, b []byte) error { return os.WriteFile(f, b[:line(b, 2)], 0o600) }},
		{"a line lacks in the middle", func(_, f string, b []byte) error {
			return os.WriteFile(f, append(bytes.Clone(b[:line(b, 4)]), b[line(b, 3):]...), 0o600)
		}},
		{"garbage behind", func(_, f string, b []byte) error {
			return os.WriteFile(f, append(b, "\x17\x03garbage\nmore\n"...), 0o600)
		}},
		{"an earlier month is gone", func(dir, f string, b []byte) error {
			return errors.Join(os.WriteFile(filepath.Join(dir, "2026-04.jsonl"), b[line(b, 2):], 0o600), os.Remove(f))
		}},
		{"an earlier month is torn", func(dir, f string, b []byte) error {
			return errors.Join(os.WriteFile(filepath.Join(dir, "2026-04.jsonl"), b[line(b, 2):], 0o600), os.WriteFile(f, b[:line(b, 2)-30], 0o600))
		}},
		{"another future", func(_, f string, b []byte) error {
			return os.WriteFile(f, bytes.Replace(b, []byte(`"by":"the test"`), []byte(`"by":"the tesT"`), -1), 0o600)
		}},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			w := backedUp(t, "")
			dir := w.path("state/events")
			f := filepath.Join(dir, "2026-03.jsonl")
			b, err := os.ReadFile(f)
			if err != nil {
				t.Fatal(err)
			}
			if err := c.cut(dir, f, bytes.Clone(b)); err != nil {
				t.Fatal(err)
			}
			w.backUp(1, 24*time.Hour) // counts them
			w.facts()
		})
	}
}

// A letter that was sent after the backup isn't sent again, one that was not is not lost.
func TestALetterThatWasSentIsNeverSentAgainAfterARestore(t *testing.T) {
	t.Parallel()
	for _, gone := range []bool{false, true} {
		w := backedUp(t, "")
		put := func(id int64) {
			a := w.open()
			defer a.Close()
			if err := a.Ledger.Tx(t.Context(), w.now, func(x *ledger.Tx) error {
				if n, err := x.NextID("letter"); err != nil || n != id {
					t.Fatal(n, err)
				}
				return x.Post.Put(ledger.Letter{ID: id, Kind: ledger.LetterFirst, Thread: "finding-1", Subject: "s", MessageID: "m", Text: "t", Made: w.now}, []string{"ada@mail.example"})
			}); err != nil {
				t.Fatal(err)
			}
		}
		put(1)
		w.backUp(1, 24*time.Hour)
		put(2)
		a := w.open()
		if err := a.Ledger.Tx(t.Context(), w.now, func(x *ledger.Tx) error { return x.Post.Delivered(1, "ada@mail.example") }); err != nil {
			t.Fatal(err)
		}
		a.Close()
		if gone {
			w.remove("state")
		}
		if _, err := w.restore(back); err != nil {
			t.Fatal(err)
		}
		a = w.open()
		defer a.Close()
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
			due, err := x.Post.DueDeliveries(w.now.Add(time.Hour), 10)
			if err != nil {
				return err
			}
			for _, d := range due {
				if d.Letter.ID == 1 {
					t.Errorf("state gone %v: letter 1 is to be sent again", gone)
				}
			}
			if !gone && len(due) != 1 {
				t.Errorf("letter 2 was never sent, and is lost: %+v", due)
			}
			return nil
		}); err != nil {
			t.Fatal(err)
		}
		if err := a.Ledger.Tx(t.Context(), w.now, func(x *ledger.Tx) error {
			n, err := x.NextID("letter")
			if n <= 2 {
				t.Errorf("state gone %v: the next letter has number %d", gone, n)
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
	}
}
