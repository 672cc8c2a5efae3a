package acts_test

import (
	"bytes"
	"context"
	"encoding/binary"
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

// world is an archive of two drives whose ledger is open, and a clock that the test sets.
type world struct {
	*testing.T
	dir string
	now time.Time
	app *app.App
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

// onEach runs a test in a world on each database.
func onEach(t *testing.T, test func(w *world)) {
	t.Helper()
	ledgertest.OnEach(t, func(t *testing.T, p ledgertest.Place) { inWorld(t, p, test) })
}

// inWorld runs a test in a world whose ledger is kept at a place.
func inWorld(t *testing.T, p ledgertest.Place, test func(w *world)) {
	t.Helper()
	w := &world{T: t, dir: t.TempDir(), now: time.Date(2026, 3, 2, 20, 0, 0, 0, time.UTC)}
	for _, d := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
		w.must(os.MkdirAll(w.at(d), 0o755))
	}
	w.must(os.WriteFile(w.at("firmus.toml"), []byte(worldConfig+p.Config()), 0o600))
	cfg, err := config.Load(w.at("firmus.toml"))
	w.must(err)
	w.app, err = app.Open(context.Background(), app.Options{Config: cfg, By: "Ada Wren", Now: func() time.Time { return w.now }})
	w.must(err)
	defer w.app.Close()
	test(w)
	w.sound()
}

func (w *world) must(err error) {
	w.Helper()
	if err != nil {
		w.Fatal(err)
	}
}

func (w *world) at(p string) string { return filepath.Join(w.dir, filepath.FromSlash(p)) }

// put writes a file in stores, with the time of the day.
func (w *world) put(p string, b []byte, stores ...string) {
	w.Helper()
	for _, s := range stores {
		at := w.at(s + "/" + p)
		w.must(os.MkdirAll(filepath.Dir(at), 0o755))
		w.must(os.WriteFile(at, b, 0o644))
		w.must(os.Chtimes(at, w.now, w.now))
	}
}

// held takes files under care that lie in both stores, and lets a month pass.
func (w *world) held(paths ...string) {
	w.Helper()
	for i, p := range paths {
		w.put(p, testdata.Wave(p, 50_000+i), "studio", "vault")
	}
	w.now = w.now.Add(24 * time.Hour)
	res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{})
	w.must(err)
	if res.Taken != int64(len(paths)) || len(res.Trouble) > 0 {
		w.Fatalf("intake: %+v", res)
	}
	w.audit(fixity.Bypassed)
	w.now = w.now.AddDate(0, 1, 0)
}

// audit audits stores, all if none is named, and gives the open findings as "store kind path".
func (w *world) audit(cache fixity.Cache, stores ...string) (out []string) {
	w.Helper()
	rs, err := w.app.Acts.Audit(w.Context(), acts.AuditOrder{Stores: stores, Cache: cache})
	w.must(err)
	for _, r := range rs {
		if len(r.Trouble) > 0 {
			w.Fatalf("audit of %s: %v", r.Store, r.Trouble)
		}
	}
	return w.findings()
}

// findings are the open ones of both stores, as "store kind path".
func (w *world) findings() (out []string) {
	w.Helper()
	for _, s := range []string{"studio", "vault"} {
		for _, f := range w.open(s) {
			out = append(out, fmt.Sprintf("%s %s %s", f.Store, f.Kind, f.Path))
		}
	}
	return out
}

func (w *world) open(store string) (fs []ledger.Finding) {
	w.Helper()
	w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) (err error) { fs, err = t.Findings.Open(store); return err }))
	return fs
}

// file is one under care, as it is now.
func (w *world) file(set, p string) (f ledger.File) {
	w.Helper()
	w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) (err error) { f, err = t.Files.At(set, p); return err }))
	return f
}

// sound checks what must hold after everything: the record and the tallies.
func (w *world) sound() {
	w.Helper()
	if _, err := w.app.Ledger.Verify(w.Context()); err != nil {
		w.Errorf("record: %v", err)
	}
	w.must(w.app.Ledger.CheckCounts(w.Context()))
}

// wave is a whole recording.
func wave(seed string) []byte { return testdata.Wave(seed, 50_000) }

// described is a recording with a chunk more, and the same samples.
func described(b []byte) []byte {
	out := append(bytes.Clone(b[:36]), "LIST\x14\x00\x00\x00INFOINAM\x08\x00\x00\x00A song \x00"...)
	out = append(out, b[36:]...)
	binary.LittleEndian.PutUint32(out[4:], uint32(len(out)-8))
	return out
}
