package app_test

import (
	"context"
	"fmt"
	"os"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/testdata"
)

// world is a folder with stores, and a clock that the test sets.
type world struct {
	t    *testing.T
	dir  string
	now  time.Time
	said []string
}

const worldConfig = `name  = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[set.access]
role = "access"
editing = "3d"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "studio/masters", access = "studio/access" }
[store.vault]
kind = "disk"
own_drive = true
sets = { masters = "vault/masters", access = "vault/access" }
expect_within = "3d"
`

func newWorld(t *testing.T, cfg string) *world {
	t.Helper()
	w := &world{t: t, dir: t.TempDir(), now: time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC)}
	if err := os.WriteFile(filepath.Join(w.dir, "firmus.toml"), []byte(cfg), 0o644); err != nil {
		t.Fatal(err)
	}
	for _, d := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
		if err := os.MkdirAll(filepath.Join(w.dir, d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	ledgertest.Ready(t, w.path("state")) // which saves each world the steps of the schema
	return w
}

func (w *world) path(p string) string { return filepath.Join(w.dir, filepath.FromSlash(p)) }

// write makes a file of the day, with bytes that depend on seed only.
func (w *world) write(p, seed string, size int) {
	w.t.Helper()
	w.put(p, testdata.Wave(seed, size), w.now)
}

func (w *world) put(p string, b []byte, at time.Time) {
	w.t.Helper()
	if err := os.MkdirAll(filepath.Dir(w.path(p)), 0o755); err != nil {
		w.t.Fatal(err)
	}
	if err := os.WriteFile(w.path(p), b, 0o644); err != nil {
		w.t.Fatal(err)
	}
	if err := os.Chtimes(w.path(p), at, at); err != nil {
		w.t.Fatal(err)
	}
}

// copy copies a file with its time, as copy programs do.
func (w *world) copy(from, to string) {
	w.t.Helper()
	b, err := os.ReadFile(w.path(from))
	if err != nil {
		w.t.Fatal(err)
	}
	st, err := os.Stat(w.path(from))
	if err != nil {
		w.t.Fatal(err)
	}
	w.put(to, b, st.ModTime())
}

func (w *world) move(from, to string) {
	w.t.Helper()
	if err := os.MkdirAll(filepath.Dir(w.path(to)), 0o755); err != nil {
		w.t.Fatal(err)
	}
	if err := os.Rename(w.path(from), w.path(to)); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) remove(p string) {
	w.t.Helper()
	if err := os.RemoveAll(w.path(p)); err != nil {
		w.t.Fatal(err)
	}
}

// open opens the archive at the world's time.
func (w *world) open() *app.App {
	w.t.Helper()
	cfg, err := config.Load(w.path("firmus.toml"))
	if err != nil {
		w.t.Fatal(err)
	}
	a, err := app.Open(context.Background(), app.Options{Config: cfg, By: "the test", Now: func() time.Time { return w.now },
		Say: func(f string, args ...any) { w.said = append(w.said, fmt.Sprintf(f, args...)) }})
	if err != nil {
		w.t.Fatal(err)
	}
	return a
}

func (w *world) intake() receiving.IntakeResult {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	res, err := a.Receiving.Intake(context.Background(), receiving.IntakeOrder{})
	if err != nil {
		w.t.Fatal(err)
	}
	return res
}

func (w *world) audit(o acts.AuditOrder) map[string]acts.AuditResult {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	o.Cache, o.Wait = fixity.Bypassed, time.Minute // a daemon may be at work there
	rs, err := a.Acts.Audit(context.Background(), o)
	if err != nil {
		w.t.Fatal(err)
	}
	out := map[string]acts.AuditResult{}
	for _, r := range rs {
		if len(r.Trouble) > 0 {
			w.t.Fatalf("audit of %s: %v", r.Store, r.Trouble)
		}
		out[r.Store] = r
	}
	w.consistent(a)
	return out
}

// consistent checks what must hold after everything: the record, and the tallies.
func (w *world) consistent(a *app.App) {
	w.t.Helper()
	if _, err := a.Ledger.Verify(context.Background()); err != nil {
		w.t.Fatalf("record: %v", err)
	}
	if err := a.Ledger.CheckCounts(context.Background()); err != nil {
		w.t.Fatal(err)
	}
}

// kinds are the open findings of a result, as "kind path".
func kinds(r acts.AuditResult) []string {
	out := []string{}
	for _, f := range r.Findings {
		out = append(out, string(f.Kind)+" "+f.Path)
	}
	return out
}

// copies are what each store has of a file.
func (w *world) copies(set, path string) []ledger.Copy {
	w.t.Helper()
	a := w.open()
	defer a.Close()
	var out []ledger.Copy
	if err := a.Ledger.View(context.Background(), func(t *ledger.Tx) error {
		f, err := t.Files.At(set, path)
		if err != nil {
			return err
		}
		out, err = t.Copies.Of(f.ID)
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
	return out
}
