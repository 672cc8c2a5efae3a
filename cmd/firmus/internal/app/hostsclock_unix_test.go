//go:build unix

package app_test

import (
	"bytes"
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity/ledger"
)

// leads is the host that leads an audit of the vault just now; "" if none does.
func leads(t *testing.T, l *ledger.Ledger) string {
	t.Helper()
	held, who, err := l.HeldOwn(context.Background(), acts.AuditLock("vault"))
	if err != nil {
		t.Fatal(err)
	}
	if !held {
		return ""
	}
	return who[strings.LastIndexByte(who, ' ')+1:]
}

// TestHostsClock has the clock order an audit: one host leads it, and if that dies another one
// takes it over, and each file is read once but for those in flight.
func TestHostsClock(t *testing.T) {
	if testing.Short() {
		t.Skip("it waits for the clock, for minutes")
	}
	t.Parallel()
	s := newSharing(t, "rate = \"100kB/s\"\nread_within = \"1h\"\nschedule = \"* * * * *\"")
	s.fill(40, 4, 60_000)
	all := map[string]*host{}
	for _, n := range []string{"server-a", "server-b", "studio-pc"} {
		all[n] = s.start(n)
	}
	a := s.open("commands")
	defer a.Close()
	// All was read by the intake: it is made due.
	if err := a.Ledger.Tx(context.Background(), time.Now(), func(x *ledger.Tx) error {
		var ids []int64
		if err := x.Files.Each("masters", "", 1000, func(f ledger.File) error { ids = append(ids, f.ID); return nil }); err != nil {
			return err
		}
		for _, id := range ids {
			if err := x.Copies.MakeDue(id, "studio", time.Now()); err != nil {
				return err
			}
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	first := ""
	within(t, 2*time.Minute, "a host leads", func() bool { first = leads(t, a.Ledger); return first != "" })
	within(t, time.Minute, "it is read", func() bool { s.mu.Lock(); defer s.mu.Unlock(); return len(s.reads) > 10 })
	all[first].kill()
	next := ""
	took := within(t, 90*time.Second, "another one leads", func() bool { next = leads(t, a.Ledger); return next != "" && next != first })
	t.Logf("%s led, %s after %s", first, next, took)
	within(t, 2*time.Minute, "all is read", func() bool { s.mu.Lock(); defer s.mu.Unlock(); return len(s.reads) == 160 })
	s.mu.Lock()
	twice := 0
	for _, n := range s.reads {
		twice += n - 1
	}
	s.mu.Unlock()
	if twice > 40 {
		t.Errorf("%d files were read once more", twice)
	}
	within(t, time.Minute, "it ends", func() bool { return leads(t, a.Ledger) == "" })
	s.whole(a)
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) error {
		open, err := x.Findings.Open("")
		if len(open) > 0 {
			t.Errorf("findings: %+v", open)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// letters counts those that a server took, and how many of them came once more.
func letters(t *testing.T, m *mailtest.Server) (n, twice int) {
	t.Helper()
	ids := map[string]int{}
	for _, x := range m.Got() {
		ids[x.Parse(t).Header.Get("Message-ID")]++
	}
	for _, k := range ids {
		n, twice = n+1, twice+k-1
	}
	return n, twice
}

// TestHostsAlarm has damage found by three hosts: it is told once, by whichever of them. While
// the database is away /readyz says so, nothing is told, and all goes on by itself.
func TestHostsAlarm(t *testing.T) {
	t.Parallel()
	box := mailtest.Start(t, nil)
	s := newSharing(t, fmt.Sprintf("[mail]\nserver = %q\nfrom = \"firmus@example.org\"\nto = [\"archivist@example.org\"]\ntls = \"none\"", box.Addr))
	s.fill(4, 3, 50_000)
	free, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	at := free.Addr().String()
	free.Close()
	s.start("server-a", hostListen+"="+at)
	for _, n := range []string{"server-b", "studio-pc"} {
		s.start(n)
	}
	ready := func() int {
		r, err := http.Get("http://" + at + "/readyz")
		if err != nil {
			return 0
		}
		r.Body.Close()
		return r.StatusCode
	}
	within(t, 20*time.Second, "ready", func() bool { return ready() == 200 })
	rot := s.path("vault/QV-0001/QV-0001_01.wav")
	b, err := os.ReadFile(rot)
	if err != nil {
		t.Fatal(err)
	}
	st, err := os.Stat(rot)
	if err != nil {
		t.Fatal(err)
	}
	b[30_000] ^= 1
	if err := os.WriteFile(rot, b, 0o644); err != nil {
		t.Fatal(err)
	}
	if err := os.Chtimes(rot, st.ModTime(), st.ModTime()); err != nil {
		t.Fatal(err)
	}
	if r := s.audit("commands"); len(r.Findings) != 1 {
		t.Fatalf("the audit found %+v", r.Findings)
	}
	within(t, time.Minute, "a letter", func() bool { n, _ := letters(t, box); return n > 0 })

	down := make(chan struct{})
	go func() { defer close(down); s.away(4 * time.Second) }()
	within(t, 4*time.Second, "not ready without the database", func() bool { return ready() == 503 })
	<-down
	within(t, 30*time.Second, "ready again", func() bool { return ready() == 200 })
	time.Sleep(2 * time.Second) // several rounds of every host's
	n, twice := letters(t, box)
	var open []ledger.Finding
	a := s.open("commands")
	defer a.Close()
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { open, err = x.Findings.Open(""); return err }); err != nil {
		t.Fatal(err)
	}
	// A second one may say more, once server-a has compared the copies; none says the same.
	about := map[string]int{}
	for _, x := range box.Got() {
		if about[x.Parse(t).Header.Get("Subject")]++; !bytes.Contains(x.Data, []byte("QV-0001_01")) {
			t.Errorf("a letter about something else: %s", x.Data)
		}
	}
	if twice > 0 || n != len(about) || len(open) != 1 {
		t.Errorf("%d letters, %d of them once more, and %d findings", n, twice, len(open))
	}
	s.whole(a)
}
