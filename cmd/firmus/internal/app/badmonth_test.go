package app_test

import (
	"context"
	"flag"
	"fmt"
	"log/slog"
	"os"
	"path/filepath"
	"regexp"
	"strings"
	"sync"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
	"firmus/replicas/testing/faulty"
)

var update = flag.Bool("update", false, "write the golden files anew")

// month is a world whose time passes at once: the daemon's own clocks and timers run
// in it, its stores, ledger, service and mail server are real.
type month struct {
	*world
	drive *drivetest.Server
	post  *postOffice
	// inCloud is the folder of the masters there.
	inCloud string

	mu         sync.Mutex
	unreadable map[string]bool // paths that the vault's drive gives no longer
}

const monthConfig = `name  = "Quillmere Valley Song Survey"
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
read_within = "7d"
schedule = "0 1 * * *"
[store.vault]
kind = "disk"
own_drive = true
place = "Vault, town hall"
sets = { masters = "vault/masters", access = "vault/access" }
read_within = "7d"
expect_within = "3d"
schedule = "0 2 * * *"
[store.safe]
kind = "disk"
own_drive = true
visiting = true
place = "Safe, town hall"
sets = { masters = "safe/masters" }
read_within = "90d"
expect_within = "30d"
schedule = "0 3 * * *"
[store.cloud]
kind = "cloud"
service = "drive"
folder = %q
sets = ["masters"]
endpoint = %q
expect_within = "3d"
schedule = "0 4 * * *"
[mail]
server = %q
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
deputy = "deputy@quillmere.example"
tls = "none"
`

// inMonth begins on a Monday evening, and does what happens on each day.
func inMonth(t *testing.T, masters, access int, days func(t *testing.T, m *month)) {
	t.Helper()
	drive, err := drivetest.Start(drivetest.Options{HangUp: true})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(drive.Close)
	post, mail := openPost(t)
	folder := drive.AddFolder(drivetest.Root, "Quillmere")
	inCloud := drive.AddFolder(folder, "masters")
	synctest.Test(t, func(t *testing.T) {
		// Files that the daemon writes get their times from the system: they must not lie
		// in the future.
		time.Sleep(time.Until(time.Date(2031, 3, 3, 18, 0, 0, 0, time.Local)))
		m := &month{world: newWorld(t, fmt.Sprintf(monthConfig, folder, drive.Endpoint(), mail)), drive: drive, post: post, inCloud: inCloud,
			unreadable: map[string]bool{}}
		m.now = time.Now().Add(-9 * 24 * time.Hour)
		for i := range masters {
			item := fmt.Sprintf("QV-01%02d", i)
			p := item + "/" + item + "_A.wav"
			m.write("studio/masters/"+p, p, 150_000+i)
			m.copy("studio/masters/"+p, "vault/masters/"+p)
			m.copy("studio/masters/"+p, "in-the-safe/masters/"+p)
			drive.AddFile(drive.AddFolder(inCloud, item), item+"_A.wav", bytesOf(p, 150_000+i))
		}
		for i := range access {
			p := fmt.Sprintf("access/QV-02%02d/QV-02%02d_A_01.wav", i, i)
			m.write("studio/"+p, p, 20_000+i)
			m.copy("studio/"+p, "vault/"+p)
		}
		m.now = time.Now()
		m.intake()
		stop := m.serve()
		days(t, m)
		stop()
		a := m.open()
		m.consistent(a)
		a.Close()
	})
}

// serve runs the daemon until it is stopped.
func (m *month) serve() (stop func()) {
	log := &said{}
	ctx, cancel := context.WithCancel(context.Background())
	ended := make(chan error, 1)
	go func() {
		ended <- app.RunDaemon(ctx, app.DaemonOptions{Log: slog.New(slog.NewTextHandler(log, nil)), By: "the daemon", Build: metrics.Build{Version: "test"},
			// Nothing may wait for the system but what answers at once: time stands still then.
			Listed: true, Follow: 5 * time.Minute, Beat: 10 * time.Minute,
			Load: func() (*config.Config, error) {
				cfg, err := config.Load(m.path("firmus.toml"))
				if err == nil {
					cfg.Web.Listen = ""
				}
				return cfg, err
			},
			Opened: func(a *app.App) {
				root := a.Acts.Root
				a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
					x, err := root(store, set, c)
					if err == nil && store == "vault" {
						x = failing{x, m}
					}
					return x, err
				}
			}})
	}()
	return func() {
		m.t.Helper()
		cancel()
		if err := <-ended; err != nil {
			m.t.Error(err)
		}
		if m.t.Failed() {
			m.t.Log(log.text())
		}
	}
}

// failing is a drive that gives some files no longer.
type failing struct {
	stores.Root
	m *month
}

func (f failing) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	f.m.mu.Lock()
	bad := f.m.unreadable[e.Path]
	f.m.mu.Unlock()
	if !bad {
		return f.Root.Open(ctx, e, offset)
	}
	return faulty.Wrap(f.Root, faulty.Unreadable(e.Path, 65536)).Open(ctx, e, offset)
}

// fails makes the vault's drive give a file no longer, when its reading comes round.
func (m *month) fails(path string) {
	m.t.Helper()
	m.mu.Lock()
	m.unreadable[path] = true
	m.mu.Unlock()
	a := m.open()
	defer a.Close()
	if err := a.Ledger.Tx(m.t.Context(), m.now, func(t *ledger.Tx) error {
		seen, _, err := t.Copies.Touched("vault", "masters", path, false)
		if err == nil && seen != 1 {
			err = fmt.Errorf("%d copies of %s in the vault", seen, path)
		}
		return err
	}); err != nil {
		m.t.Fatal(err)
	}
}

// mend is another drive.
func (m *month) mend() {
	m.mu.Lock()
	defer m.mu.Unlock()
	clear(m.unreadable)
}

// until lets time pass to some minutes past an hour of a day, counted from the first:
// no daemon looks just then.
func (m *month) until(day, hour int) {
	m.t.Helper()
	at := time.Date(2031, 3, 3+day, hour, 3, 7, 0, time.Local)
	if !at.After(time.Now()) {
		m.t.Fatalf("day %d, %d:00 has passed", day, hour)
	}
	time.Sleep(time.Until(at))
	m.now = time.Now()
}

// outbox is all letters, once each; each has left, and with one Message-ID.
func (m *month) outbox() []ledger.Letter {
	m.t.Helper()
	var out []ledger.Letter
	a := m.open()
	defer a.Close()
	if err := a.Ledger.View(m.t.Context(), func(t *ledger.Tx) error {
		ds, err := t.Post.Deliveries(0)
		for _, d := range ds {
			if !m.post.has("<" + d.Letter.MessageID + ">") {
				m.t.Errorf("never left: %s", d.Letter.Subject)
			}
			if len(out) == 0 || out[len(out)-1].ID != d.Letter.ID {
				out = append(out, d.Letter)
			}
		}
		return err
	}); err != nil {
		m.t.Fatal(err)
	}
	return out
}

// printed are letters as a golden file keeps them: without what is new in each run.
func (m *month) printed(ls []ledger.Letter) string {
	var b strings.Builder
	for _, l := range ls {
		text := l.Text
		text = regexp.MustCompile(`(?s)\nWhat {10}`+regexp.QuoteMeta(m.dir)+`.*?\nHow sure`).ReplaceAllString(text, "\nWhat          /archive/...\nHow sure")
		text = regexp.MustCompile(regexp.QuoteMeta(m.dir)+`[^\n]*`).ReplaceAllStringFunc(text, func(at string) string {
			return "/archive" + filepath.ToSlash(strings.TrimPrefix(at, m.dir))
		})
		text = regexp.MustCompile(`\b[0-9,]+(\s)events\b`).ReplaceAllString(text, "123${1}events")
		text = regexp.MustCompile(`[0-9a-f]{8}-[0-9a-f]{8}\b`).ReplaceAllString(text, "5dc9da79-a70659a9")
		if host, _ := os.Hostname(); host != "" {
			text = strings.ReplaceAll(text, host, "ARCHIVE-PC")
		}
		fmt.Fprintf(&b, "%s  (%s)\nSubject: %s\n\n%s\n%s\n", l.Made.Local().Format("Mon 2 Jan 15:04"), l.Kind, l.Subject, text, strings.Repeat("=", 78))
	}
	return b.String()
}

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

// TestBadMonth is a month of the daemon with a rotten master, a failing drive, a mass
// change and a dead sign-in: just those letters that a person would want, in order.
func TestBadMonth(t *testing.T) {
	t.Parallel()
	if testing.Short() || os.Getenv("FIRMUS_ALL_PARTS") != "1" {
		t.Skip("a month of a daemon takes half a minute: only with FIRMUS_ALL_PARTS=1")
	}
	inMonth(t, 10, 30, func(t *testing.T, m *month) {
		m.until(1, 15) // rot: neither size nor time of the file change
		b, err := os.ReadFile(m.path("studio/masters/QV-0103/QV-0103_A.wav"))
		if err != nil {
			t.Fatal(err)
		}
		st, err := os.Stat(m.path("studio/masters/QV-0103/QV-0103_A.wav"))
		if err != nil {
			t.Fatal(err)
		}
		clear(b[65536:131072])
		m.put("studio/masters/QV-0103/QV-0103_A.wav", b, st.ModTime())

		m.until(3, 10) // the drive from the safe visits for a day
		m.move("in-the-safe", "safe")
		m.until(3, 16)
		m.move("safe", "in-the-safe")

		m.until(11, 11) // somebody acts at last, when the deputy has been told
		m.copy("vault/masters/QV-0103/QV-0103_A.wav", "studio/masters/QV-0103/QV-0103_A.wav")

		m.until(15, 12) // the vault's drive begins to fail
		m.fails("QV-0105/QV-0105_A.wav")
		m.until(17, 12)
		m.fails("QV-0104/QV-0104_A.wav")

		m.until(18, 15) // as the letter asks, it is disconnected
		m.move("vault", "scrap")
		m.until(22, 15) // a new drive comes, filled from the studio
		for _, set := range []string{"masters", "access"} {
			if err := os.CopyFS(m.path("vault/"+set), os.DirFS(m.path("studio/"+set))); err != nil {
				t.Fatal(err)
			}
		}
		m.mend()
		a := m.open()
		if _, err := a.Deciding.EndStore(t.Context(), deciding.EndStoreOrder{Store: "vault", Replace: true, Reason: "the old drive failed"}); err != nil {
			t.Error(err)
		}
		if _, err := a.Acts.Audit(t.Context(), acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed}); err != nil {
			t.Error(err)
		}
		a.Close()

		m.until(23, 14) // somebody drags a shelf of folders away
		for i := range 25 {
			m.move(fmt.Sprintf("studio/access/QV-02%02d", i), fmt.Sprintf("desk/QV-02%02d", i))
		}
		m.until(24, 10)
		for i := range 25 {
			m.move(fmt.Sprintf("desk/QV-02%02d", i), fmt.Sprintf("studio/access/QV-02%02d", i))
		}

		m.until(26, 12)
		m.drive.Inject(drivetest.Fault{Count: -1, Status: 401, Reason: "authError", Message: "Invalid Credentials", Location: "Authorization"})
		m.until(28, 12)
		m.drive.Heal()
		m.until(29, 10)

		ls := m.outbox()
		var subjects strings.Builder
		for _, l := range ls {
			fmt.Fprintf(&subjects, "%s  %s\n", l.Made.Local().Format("Mon 2 Jan 15:04"), l.Subject)
		}
		golden(t, "bad-month-subjects.txt", subjects.String())
		golden(t, "bad-month.txt", m.printed(ls))
	})
}
