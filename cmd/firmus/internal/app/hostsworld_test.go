package app_test

import (
	"bufio"
	"bytes"
	"context"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/fixity"
	"firmus/fixity/testing/ledgertest"
	"firmus/testdata"
)

// sharing is an archive whose ledger several hosts share: each has a configuration, a state
// folder and a name of its own.
type sharing struct {
	t     *testing.T
	dir   string
	place ledgertest.Place
	more  string // of the store
	// measured: no configuration says how many hosts read the vault at the same time.
	measured bool

	mu    sync.Mutex
	reads map[string]int // how often each file was opened to be read
}

func (s *sharing) read(path string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.reads[path]++
}

func newSharing(t *testing.T, more string) *sharing {
	t.Helper()
	if os.Getenv(ledgertest.Postgres) == "" {
		t.Skipf("hosts share a ledger on PostgreSQL: %s names no server", ledgertest.Postgres)
	}
	return sharingAt(t, ledgertest.Database(t, t.TempDir()), more)
}

// sharingAt is newSharing with a database that is there already.
func sharingAt(t *testing.T, place ledgertest.Place, more string) *sharing {
	t.Helper()
	s := &sharing{t: t, dir: t.TempDir(), place: place, more: more, reads: map[string]int{}}
	for _, d := range []string{"studio", "vault"} {
		if err := os.MkdirAll(s.path(d), 0o755); err != nil {
			t.Fatal(err)
		}
	}
	return s
}

func (s *sharing) path(p string) string { return filepath.Join(s.dir, filepath.FromSlash(p)) }

// config writes a host's configuration; instead replaces in it.
func (s *sharing) config(host string, instead ...string) string {
	s.t.Helper()
	text := fmt.Sprintf(`name  = "Quillmere Valley Song Survey"
state = %q
[host]
name = %q
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
hosts = ["server-a"]
manifests = false
sets = { masters = %q }
[store.vault]
kind = "disk"
own_drive = true
at_once = 9
sets = { masters = %q }
%s
`, s.path(host+"/state"), host, s.path("studio"), s.path("vault"), s.more) + s.place.Config()
	text = strings.NewReplacer(instead...).Replace(text)
	if s.measured {
		text = strings.Replace(text, "at_once = 9\n", "", 1)
	}
	if err := os.MkdirAll(s.path(host), 0o755); err != nil {
		s.t.Fatal(err)
	}
	file := s.path(host + "/firmus.toml")
	if err := os.WriteFile(file, []byte(text), 0o600); err != nil {
		s.t.Fatal(err)
	}
	return file
}

// open opens the archive as a command on a host does.
func (s *sharing) open(host string) *app.App {
	s.t.Helper()
	a, err := s.tryOpen(host, nil)
	if err != nil {
		s.t.Fatal(err)
	}
	return a
}

// tryOpen is open with a clock of its own, if it isn't nil.
func (s *sharing) tryOpen(host string, now func() time.Time) (*app.App, error) {
	cfg, err := config.Load(s.config(host))
	if err != nil {
		return nil, err
	}
	return app.Open(context.Background(), app.Options{Config: cfg, By: "the test", Say: s.t.Logf, Now: now, Times: hosts.Times{Slice: time.Second, Grace: 2 * time.Second}})
}

// fill makes files in folders of both stores and takes them under care.
func (s *sharing) fill(folders, files, size int) {
	s.t.Helper()
	s.write(folders, files, size)
	a := s.open("server-a")
	defer a.Close()
	if _, err := a.Receiving.Intake(context.Background(), receiving.IntakeOrder{}); err != nil {
		s.t.Fatal(err)
	}
}

func (s *sharing) write(folders, files, size int) {
	s.t.Helper()
	at := time.Now().Add(-time.Hour)
	for d := range folders {
		for f := range files {
			p := fmt.Sprintf("QV-%04d/QV-%04d_%02d.wav", d, d, f)
			b := testdata.Wave(p, size)
			for _, store := range []string{"studio", "vault"} {
				if err := os.MkdirAll(filepath.Dir(s.path(store+"/"+p)), 0o755); err != nil {
					s.t.Fatal(err)
				}
				if err := os.WriteFile(s.path(store+"/"+p), b, 0o644); err != nil {
					s.t.Fatal(err)
				}
				if err := os.Chtimes(s.path(store+"/"+p), at, at); err != nil {
					s.t.Fatal(err)
				}
			}
		}
	}
}

// host is one that runs in a process of its own.
type host struct {
	name  string
	cmd   *exec.Cmd
	log   *notes
	ready chan struct{}
	ended chan struct{}
}

// notes are what a host logs, while it does.
type notes struct {
	mu sync.Mutex
	b  bytes.Buffer
}

// Write implements io.Writer.
func (n *notes) Write(b []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.b.Write(b)
}

func (n *notes) String() string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.b.String()
}

// ownDrives has a process see mounts that others don't; set where that can be done.
var ownDrives func(*exec.Cmd)

func (s *sharing) begin(name, file string, env ...string) *host {
	s.t.Helper()
	self, err := os.Executable()
	if err != nil {
		s.t.Fatal(err)
	}
	h := &host{name: name, cmd: exec.Command(self), log: &notes{}, ready: make(chan struct{}), ended: make(chan struct{})}
	h.cmd.Env, h.cmd.Stderr = append(append(os.Environ(), hostConfig+"="+file), env...), h.log
	if ownDrives != nil && os.Geteuid() == 0 {
		ownDrives(h.cmd)
	}
	out, err := h.cmd.StdoutPipe()
	if err != nil {
		s.t.Fatal(err)
	}
	if err := h.cmd.Start(); err != nil {
		s.t.Fatal(err)
	}
	ready := sync.OnceFunc(func() { close(h.ready) }) // said anew at each reload
	go func() {
		for in := bufio.NewScanner(out); in.Scan(); {
			if p, ok := strings.CutPrefix(in.Text(), "read "); ok {
				s.read(p)
			} else {
				ready()
			}
		}
		_ = h.cmd.Wait()
		close(h.ended)
	}()
	s.t.Cleanup(h.kill)
	return h
}

// start starts a host and waits until it runs.
func (s *sharing) start(name string, env ...string) *host {
	s.t.Helper()
	h := s.begin(name, s.config(name), env...)
	select {
	case <-h.ready:
	case <-h.ended:
		s.t.Fatalf("%s ended: %s", name, h.log)
	case <-time.After(30 * time.Second):
		h.kill()
		s.t.Fatalf("%s didn't begin: %s", name, h.log)
	}
	return h
}

func (h *host) kill() {
	_ = h.cmd.Process.Kill()
	<-h.ended
}

// refused starts a host that must not run, and gives what it said.
func (s *sharing) refused(name, file string, env ...string) string {
	s.t.Helper()
	h := s.begin(name, file, env...)
	select {
	case <-h.ended:
	case <-h.ready:
		s.t.Fatalf("%s runs", name)
	case <-time.After(30 * time.Second):
		h.kill()
		s.t.Fatalf("%s neither runs nor ends: %s", name, h.log)
	}
	return h.log.String()
}

// whole checks what must hold in the end, and gives how many readings the record has of each
// file of a store in an audit.
func (s *sharing) whole(a *app.App) {
	s.t.Helper()
	if _, err := a.Ledger.Verify(context.Background()); err != nil {
		s.t.Fatalf("record: %v", err)
	}
	if err := a.Ledger.CheckCounts(context.Background()); err != nil {
		s.t.Fatal(err)
	}
}

func (s *sharing) audit(host string) acts.AuditResult {
	s.t.Helper()
	a := s.open(host)
	defer a.Close()
	ctx, cancel := context.WithTimeout(context.Background(), 3*time.Minute)
	defer cancel()
	rs, err := a.Acts.Audit(ctx, acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
	if err != nil {
		s.t.Fatal(err)
	}
	s.whole(a)
	return rs[0]
}
