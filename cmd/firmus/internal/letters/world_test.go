package letters_test

import (
	"context"
	"flag"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/internal/stores"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/replicas/disk"
	"firmus/replicas/testing/replicatest"
	"firmus/testdata"
)

var update = flag.Bool("update", false, "write the golden files anew")

// zone is where the invented archive is.
var zone = time.FixedZone("QVT", 2*3600)

// world is an archive on disk with a mail server, and a clock that the test sets.
type world struct {
	*testing.T
	dir     string
	place   ledgertest.Place // of the ledger
	now     time.Time
	ticking sync.Mutex
	server  *mailtest.Server
	watch   audit.Progress
	options func(*letters.Options)
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
place = "Studio, room 12"
sets = { masters = "studio/masters", access = "studio/access" }
[store.vault]
kind = "disk"
own_drive = true
place = "Vault, town hall"
sets = { masters = "vault/masters", access = "vault/access" }
expect_within = "3d"
`

// newWorld begins on a Monday evening.
func newWorld(t *testing.T, more string) *world {
	t.Helper()
	w := &world{T: t, dir: t.TempDir(), now: time.Date(2026, 3, 2, 18, 0, 0, 0, time.UTC), server: mailtest.Start(t, nil)}
	w.place = ledgertest.Here(t, w.path("state"))
	w.configure(more, "")
	for _, d := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
		if err := os.MkdirAll(w.path(d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return w
}

// tick moves the clock while an audit runs, whose files are read side by side.
func (w *world) tick(d time.Duration) {
	w.ticking.Lock()
	defer w.ticking.Unlock()
	w.now = w.now.Add(d)
}

func (w *world) clock() time.Time {
	w.ticking.Lock()
	defer w.ticking.Unlock()
	return w.now
}

// configure writes the configuration, with more below the stores and in [mail].
func (w *world) configure(more, mail string) {
	w.Helper()
	text := worldConfig + more + w.place.Config() + fmt.Sprintf(`
[mail]
server = %q
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example", "technician@quillmere.example"]
deputy = "deputy@quillmere.example"
tls = "none"
%s`, w.server.Addr, mail)
	if err := os.WriteFile(w.path("firmus.toml"), []byte(text), 0o644); err != nil {
		w.Fatal(err)
	}
}

func (w *world) path(p string) string { return filepath.Join(w.dir, filepath.FromSlash(p)) }

// write makes a file of the day, with bytes that depend on seed only.
func (w *world) write(p, seed string, size int) {
	w.Helper()
	w.put(p, testdata.Wave(seed, size), w.now)
}

func (w *world) put(p string, b []byte, at time.Time) {
	w.Helper()
	if err := os.MkdirAll(filepath.Dir(w.path(p)), 0o755); err != nil {
		w.Fatal(err)
	}
	if err := os.WriteFile(w.path(p), b, 0o644); err != nil {
		w.Fatal(err)
	}
	if err := os.Chtimes(w.path(p), at, at); err != nil {
		w.Fatal(err)
	}
}

func (w *world) copy(from, to string) {
	w.Helper()
	b, err := os.ReadFile(w.path(from))
	if err != nil {
		w.Fatal(err)
	}
	st, err := os.Stat(w.path(from))
	if err != nil {
		w.Fatal(err)
	}
	w.put(to, b, st.ModTime())
}

// rot makes n bytes zeros; size and time stay.
func (w *world) rot(p string, at, n int) {
	w.Helper()
	b, err := os.ReadFile(w.path(p))
	if err != nil {
		w.Fatal(err)
	}
	st, err := os.Stat(w.path(p))
	if err != nil {
		w.Fatal(err)
	}
	clear(b[at : at+n])
	w.put(p, b, st.ModTime())
}

func (w *world) move(from, to string) {
	w.Helper()
	if err := os.MkdirAll(filepath.Dir(w.path(to)), 0o755); err != nil {
		w.Fatal(err)
	}
	if err := os.Rename(w.path(from), w.path(to)); err != nil {
		w.Fatal(err)
	}
}

func (w *world) open() *app.App {
	w.Helper()
	cfg, err := config.Load(w.path("firmus.toml"))
	if err != nil {
		w.Fatal(err)
	}
	a, err := app.Open(context.Background(), app.Options{Config: cfg, By: "M. R.", Now: w.clock, Progress: w.watch})
	if err != nil {
		w.Fatal(err)
	}
	root := a.Acts.Root
	a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
		r, err := root(store, set, c)
		if d, ok := r.(*disk.Dir); ok {
			return replicatest.Telling{Dir: d}, err
		}
		return r, err
	}
	return a
}

// with opens the archive for as long as fn runs.
func (w *world) with(fn func(*app.App)) {
	w.Helper()
	a := w.open()
	defer a.Close()
	fn(a)
}

func (w *world) letters(a *app.App) *letters.Letters {
	w.Helper()
	l, err := a.Letters(func(o *letters.Options) {
		o.Zone, o.Host = zone, "ARCHIVE-PC"
		if w.options != nil {
			w.options(o)
		}
	})
	if err != nil {
		w.Fatal(err)
	}
	return l
}

// post writes the letters that are due and sends them.
func (w *world) post() {
	w.Helper()
	w.with(func(a *app.App) { w.postBy(w.letters(a)) })
}

func (w *world) postBy(l *letters.Letters) {
	w.Helper()
	if _, err := l.Fill(w.Context()); err != nil {
		w.Fatal(err)
	}
	if sent, err := l.Send(w.Context()); err != nil || sent.Refused+sent.Deferred > 0 {
		w.Fatalf("%+v, %v", sent, err)
	}
}

func (w *world) intake() {
	w.Helper()
	w.with(func(a *app.App) {
		if _, err := a.Receiving.Intake(w.Context(), receiving.IntakeOrder{}); err != nil {
			w.Fatal(err)
		}
	})
}

func (w *world) audit(full bool, stores ...string) {
	w.Helper()
	w.with(func(a *app.App) {
		if _, err := a.Acts.Audit(w.Context(), acts.AuditOrder{Stores: stores, Full: full, Cache: fixity.Bypassed}); err != nil {
			w.Fatal(err)
		}
	})
}

// pass lets time go by; the outbox is looked at every two hours, as the daemon does it
// more often.
func (w *world) pass(d time.Duration) {
	w.Helper()
	w.with(func(a *app.App) {
		l := w.letters(a)
		for d > 0 {
			step := min(d, 2*time.Hour)
			w.now, d = w.now.Add(step), d-step
			w.postBy(l)
		}
	})
}

// outbox is all letters, once each.
func (w *world) outbox() []ledger.Letter {
	w.Helper()
	var out []ledger.Letter
	w.with(func(a *app.App) {
		if err := a.Ledger.View(w.Context(), func(t *ledger.Tx) error {
			ds, err := t.Post.Deliveries(0)
			for _, d := range ds {
				if len(out) == 0 || out[len(out)-1].ID != d.Letter.ID {
					out = append(out, d.Letter)
				}
			}
			return err
		}); err != nil {
			w.Fatal(err)
		}
	})
	return out
}

func (w *world) subjects() []string {
	w.Helper()
	var out []string
	for _, l := range w.outbox() {
		out = append(out, l.Subject)
	}
	return out
}

// printed is a letter as a golden file keeps it: without what is new in each run.
func (w *world) printed(l ledger.Letter) string {
	text := l.Text
	// How long the folder's name is decides where lines are broken.
	text = regexp.MustCompile(`(?s)\nWhat {10}`+regexp.QuoteMeta(w.dir)+`.*?\nHow sure`).ReplaceAllString(text, "\nWhat          /archive/...\nHow sure")
	text = regexp.MustCompile(regexp.QuoteMeta(w.dir)+`[^\n]*`).ReplaceAllStringFunc(text, func(at string) string {
		return "/archive" + filepath.ToSlash(strings.TrimPrefix(at, w.dir))
	})
	text = regexp.MustCompile(`\b[0-9,]+(\s)events\b`).ReplaceAllString(text, "123${1}events")
	text = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{8}\b`).ReplaceAllString(text, "5dc9da79-a70659a9")
	return fmt.Sprintf("Subject: %s\nThread: %s  (%s, answers %d)\n\n%s", l.Subject, l.Thread, l.Kind, len(l.Refs), text)
}

func (w *world) printAll() string {
	var b strings.Builder
	for _, l := range w.outbox() {
		b.WriteString(w.printed(l) + "\n" + strings.Repeat("=", 78) + "\n")
	}
	return b.String()
}

// golden compares got with the file, or writes it.
func golden(t *testing.T, file, got string) {
	t.Helper()
	file = filepath.Join("testdata", file)
	if *update {
		if err := os.MkdirAll("testdata", 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	want, err := os.ReadFile(file)
	if err != nil {
		t.Fatal(err)
	}
	if d := cmp.Diff(strings.ReplaceAll(string(want), "\r\n", "\n"), got); d != "" {
		t.Errorf("%s, -want +got:\n%s", file, d)
	}
}
