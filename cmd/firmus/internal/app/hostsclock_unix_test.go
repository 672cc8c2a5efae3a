//go:build unix

package app_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"net"
	"net/http"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
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

// oneMatter checks that all letters are about one file, and none came twice. A second one may say
// more, once server-a has compared the copies; none says the same.
func oneMatter(t *testing.T, box *mailtest.Server, file string) {
	t.Helper()
	n, twice := letters(t, box)
	about := map[string]int{}
	for _, x := range box.Got() {
		if about[x.Parse(t).Header.Get("Subject")]++; !bytes.Contains(x.Data, []byte(file)) {
			t.Errorf("a letter about something else: %s", x.Data)
		}
	}
	if twice > 0 || n != len(about) {
		t.Errorf("%d letters, %d of them once more, about %v", n, twice, about)
	}
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
	var open []ledger.Finding
	a := s.open("commands")
	defer a.Close()
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { open, err = x.Findings.Open(""); return err }); err != nil {
		t.Fatal(err)
	}
	if oneMatter(t, box, "QV-0001_01"); len(open) != 1 {
		t.Errorf("%d findings", len(open))
	}
	s.whole(a)
}

// shiftable makes the clock of the database be off by what shift says for sessions of some hosts. To
// such a host it is as if its own clock had jumped.
func (s *sharing) shiftable() (shift func(host string, by string)) {
	s.t.Helper()
	db, err := sql.Open("pgx", s.place.URL)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { db.Close() })
	run := func(q string, args ...any) {
		s.t.Helper()
		if _, err := db.Exec(q, args...); err != nil {
			s.t.Fatal(err)
		}
	}
	run(`CREATE SCHEMA shift`)
	run(`CREATE TABLE shift.off (host text PRIMARY KEY, by interval NOT NULL)`)
	run(`CREATE FUNCTION shift.clock_timestamp() RETURNS timestamptz LANGUAGE sql AS
		$$ SELECT pg_catalog.clock_timestamp() - coalesce((SELECT by FROM shift.off WHERE current_setting('application_name') LIKE '%' || host || '%'), '0') $$`)
	run(`DO $$ BEGIN EXECUTE format('ALTER DATABASE %I SET search_path = public, shift, pg_catalog', current_database()); END $$`)
	return func(host, by string) {
		run(`INSERT INTO shift.off VALUES ($1, $2::text::interval) ON CONFLICT (host) DO UPDATE SET by = excluded.by`, host, by)
	}
}

// TestHostsClockJumps has the clock of one of two hosts jump while both read: from then on it reads and
// records nothing, and sends no letter; the other one does it all, each file is due when it should be,
// and the one letter comes once. Set right, it takes part again.
func TestHostsClockJumps(t *testing.T) {
	if testing.Short() {
		t.Skip("it takes three quarters of a minute")
	}
	for _, by := range []string{"1 hour", "-1 hour", "365 days", "-365 days"} {
		t.Run(by, func(t *testing.T) {
			t.Parallel()
			box := mailtest.Start(t, nil)
			s := newSharing(t, fmt.Sprintf("rate = \"300kB/s\"\nread_within = \"30d\"\n[mail]\nserver = %q\nfrom = \"firmus@example.org\"\nto = [\"archivist@example.org\"]\ntls = \"none\"", box.Addr))
			s.fill(20, 5, 20_000)
			shift := s.shiftable()
			s.start("server-a")
			other := s.begin("server-b", s.config("server-b", s.place.URL, s.place.URL+"&application_name=server-b"))
			select {
			case <-other.ready:
			case <-other.ended:
				t.Fatalf("it ended: %s", other.log)
			}
			rot := s.path("vault/QV-0019/QV-0019_04.wav")
			b, st := testdata.Wave("rotten", 20_000), time.Now().Add(-time.Hour)
			if err := errors.Join(os.WriteFile(rot, b, 0o644), os.Chtimes(rot, st, st)); err != nil {
				t.Fatal(err)
			}
			a := s.open("commands")
			defer a.Close()
			readBy := func() (n int64) { // in all audits together
				if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) error {
					for audit := range int64(20) {
						m, err := x.Hosts.ReadBy(audit)
						if n += m["server-b"]; err != nil {
							return err
						}
					}
					return nil
				}); err != nil {
					t.Error(err)
				}
				return n
			}
			began := time.Now()
			done := make(chan acts.AuditResult, 1)
			go func() {
				rs, err := a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
				if err != nil || len(rs) == 0 {
					t.Error(err)
					rs = []acts.AuditResult{{}}
				}
				done <- rs[0]
			}()
			within(t, 30*time.Second, "server-b reads", func() bool { return readBy() > 0 })
			shift("server-b", by)
			time.Sleep(time.Second) // what it was committing is committed
			had := readBy()
			r := <-done
			if !r.Complete || len(r.Trouble) > 0 || len(r.Findings) != 1 || r.Read != 100 {
				t.Errorf("the audit gave %+v", r)
			}
			if now := readBy(); now != had || now == 100 {
				t.Errorf("server-b had read %d, and %d in the end", had, now)
			}
			within(t, 30*time.Second, "it says so", func() bool { return strings.Contains(other.log.String(), "this host takes no work") })
			within(t, time.Minute, "a letter", func() bool { n, _ := letters(t, box); return n > 0 })
			time.Sleep(2 * time.Second)
			oneMatter(t, box, "QV-0019_04")
			s.whole(a)
			ended := time.Now()
			if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) error {
				return x.Files.Each("masters", "", 1000, func(f ledger.File) error {
					cs, err := x.Copies.Of(f.ID)
					for _, c := range cs {
						if c.Store != "vault" || c.State != fixity.Intact {
							continue
						}
						if at := c.Read.At; at.Before(began.Add(-time.Second)) || at.After(ended) || c.Due.Before(at.Add(15*24*time.Hour)) || c.Due.After(at.Add(30*24*time.Hour)) {
							t.Errorf("%s was read %s and is due %s", f.Path, at, c.Due)
						}
					}
					return err
				})
			}); err != nil {
				t.Error(err)
			}
			shift("server-b", "0")
			within(t, 30*time.Second, "it takes work again", func() bool { return strings.Contains(other.log.String(), "takes work again") })
			within(t, time.Minute, "it reads again", func() bool { r := s.audit("commands"); return r.ReadBy["server-b"] > 0 && r.Complete }) // its own turn may come first
		})
	}
}
