package app_test

import (
	"context"
	"fmt"
	"io"
	"net"
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// silentWithin is how long anything may wait for a database that says nothing: it is asked once
// more, at another connection, and twice where that is refused TLS.
const silentWithin = 30 * time.Second

// TestHostsSilent has the way to the database fall silent in the middle of an audit, and while a
// host and a command begin. All say so, none tells of missing files, and all goes on by itself.
func TestHostsSilent(t *testing.T) {
	t.Parallel()
	box := mailtest.Start(t, nil)
	s := newSharing(t, fmt.Sprintf("rate = \"400kB/s\"\nexpect_within = \"1h\"\n[mail]\nserver = %q\nfrom = \"firmus@example.org\"\nto = [\"archivist@example.org\"]\ntls = \"none\"", box.Addr))
	s.fill(10, 3, 100_000)
	direct := s.place
	place, way := s.place.Through(t)
	s.place = place
	listens := func() string {
		l, err := net.Listen("tcp", "127.0.0.1:0")
		if err != nil {
			t.Fatal(err)
		}
		defer l.Close()
		return l.Addr().String()
	}
	a, b := listens(), listens()
	s.start("server-a", hostListen+"="+a, hostBeat+"=1")
	ready := func(at string) (int, string) {
		c := http.Client{Timeout: 8 * time.Second}
		r, err := c.Get("http://" + at + "/readyz")
		if err != nil {
			return 0, err.Error()
		}
		defer r.Body.Close()
		text, _ := io.ReadAll(r.Body)
		return r.StatusCode, string(text)
	}
	within(t, 20*time.Second, "ready", func() bool { n, _ := ready(a); return n == 200 })
	command := s.open("commands")
	type result struct {
		r   []acts.AuditResult
		err error
	}
	led := make(chan result, 1)
	go func() {
		r, err := command.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
		led <- result{r, err}
	}()
	within(t, time.Minute, "it is read", func() bool { s.mu.Lock(); defer s.mu.Unlock(); return len(s.reads) > 3 })

	way.Stop()
	fell := time.Now()
	within(t, 10*time.Second, "not ready", func() bool { n, _ := ready(a); return n == 503 })
	if n, text := ready(a); n != 503 || !strings.Contains(text, "doesn't answer") {
		t.Errorf("/readyz says %d %q", n, text)
	}
	// One that begins now says so, too, and a command gives up.
	s.begin("server-b", s.config("server-b"), hostListen+"="+b)
	cfg, err := config.Load(s.config("studio-pc"))
	if err != nil {
		t.Fatal(err)
	}
	began := time.Now()
	if x, err := app.Open(context.Background(), app.Options{Config: cfg, By: "the test"}); err == nil {
		x.Close()
		t.Error("a ledger was opened that says nothing")
	} else if took := time.Since(began); took > silentWithin {
		t.Errorf("a command waited %s for %v", took, err)
	} else {
		t.Logf("a command gave up after %s: %v", took.Round(time.Second), err)
	}
	select {
	case r := <-led:
		t.Logf("the audit ended after %s: %v, %v", time.Since(fell).Round(time.Second), r.r, r.err)
		led <- r
	case <-time.After(silentWithin / 2): // it waits for the database, and says so
	}
	t.Logf("a host that begins said so after %s", within(t, silentWithin, "a host that begins says so", func() bool { n, _ := ready(b); return n == 503 }))
	if took := time.Since(fell); took > time.Minute {
		t.Errorf("it took %s", took)
	}
	way.Go()
	t.Logf("ready again after %s", within(t, time.Minute, "ready again", func() bool { n, _ := ready(a); return n == 200 }))
	t.Logf("the other one is ready after %s", within(t, time.Minute, "the other one is ready", func() bool { n, _ := ready(b); return n == 200 }))
	select {
	case r := <-led:
		t.Logf("the audit gave %+v, %v", r.r, r.err)
	case <-time.After(2 * time.Minute):
		t.Error("the audit never ended")
	}
	command.Close()
	if r := s.audit("commands"); len(r.Findings) > 0 || !r.Complete || len(r.Trouble) > 0 || r.Read+r.ReadBefore < 30 {
		t.Errorf("the next audit gave %+v", r)
	}
	s.place = direct
	x := s.open("commands")
	defer x.Close()
	if err := x.Ledger.View(context.Background(), func(x *ledger.Tx) error {
		open, err := x.Findings.Open("")
		if len(open) > 0 {
			t.Errorf("findings: %+v", open)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if got := box.Got(); len(got) > 0 {
		t.Errorf("%d letters, one of them %s", len(got), got[0].Data)
	}
	s.whole(x)
}
