package app_test

import (
	"bytes"
	"context"
	"database/sql"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// exec runs a statement in the ledger's database, past the program.
func (s *sharing) exec(query string, args ...any) {
	s.t.Helper()
	db, err := sql.Open("pgx", s.place.URL)
	if err != nil {
		s.t.Fatal(err)
	}
	defer db.Close()
	if _, err := db.Exec(query, args...); err != nil {
		s.t.Fatal(err)
	}
}

// TestHostsBackUp has the record backed up by one host at a time, without an audit, and by
// another one once that host is gone; and each host has the whole record as text.
func TestHostsBackUp(t *testing.T) { // not in parallel: the promised minute is of a computer that isn't busy with three archives more
	s := newSharing(t, "manifests = true")
	s.write(2, 2, 1000)
	names := []string{"server-a", "server-b", "studio-pc"}
	hosts := map[string]*host{}
	for _, n := range names {
		hosts[n] = s.start(n, hostBeat+"=1")
	}
	time.Sleep(2 * time.Second) // rounds of all of them
	made := func() (out []string) {
		names, err := filepath.Glob(s.path("vault/.firmus-ledger/*"))
		if err != nil {
			t.Fatal(err)
		}
		return names
	}
	if got := made(); len(got) > 0 {
		t.Errorf("a record of nothing was backed up: %q", got)
	}
	s.fill(2, 2, 1000)                             // its command makes the first
	s.exec(`UPDATE backup SET at = 0, events = 0`) // which is old now
	at := func() (n int64) {
		a := s.open("commands")
		defer a.Close()
		if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) error {
			all, err := x.Log.Backups()
			if len(all) != 1 || all[0].Store != "vault" || all[0].Trouble != "" {
				t.Fatalf("backups: %+v", all)
			}
			if !all[0].At.IsZero() {
				n = all[0].Events
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return n
	}
	within(t, 20*time.Second, "a backup by a host", func() bool { return at() > 0 })
	time.Sleep(3 * time.Second)
	first := made()
	if len(first) > 2 {
		t.Errorf("it was made by more than one host: %q", first)
	}
	// Whoever it was is killed, and so is any other but one.
	for _, n := range names[:2] {
		hosts[n].kill()
	}
	s.audit("commands") // so that there is more to be backed up
	s.exec(`UPDATE backup SET at = 0, events = 0`)
	took := within(t, time.Minute, "a backup by the host that is left", func() bool { return at() > 0 })
	t.Logf("the host that is left made one after %s", took.Round(time.Second))
	for _, x := range made() {
		if strings.Contains(x, "unfinished") || strings.Contains(x, "aside") {
			t.Errorf("there is %s", x)
		}
	}
	a := s.open("commands")
	defer a.Close()
	var want int64
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) (err error) { want, err = x.Log.LeafBytes(); return err }); err != nil {
		t.Fatal(err)
	}
	text := func() (n int64) {
		all, err := filepath.Glob(s.path("studio-pc/state/events/*.jsonl"))
		if err != nil {
			t.Fatal(err)
		}
		for _, x := range all {
			if st, err := os.Stat(x); err == nil {
				n += st.Size()
			}
		}
		return n
	}
	within(t, 20*time.Second, "the record as text on a host that recorded nothing of it", func() bool { return want > 0 && text() == want })
	s.whole(a)
}

// TestHostsBroken has a broken record told once by the hosts that share it, also after one of
// them begins anew, and once more when something else is wrong.
func TestHostsBroken(t *testing.T) {
	t.Parallel()
	box := mailtest.Start(t, nil)
	s := newSharing(t, fmt.Sprintf("[mail]\nserver = %q\nfrom = \"firmus@example.org\"\nto = [\"archivist@example.org\"]\ntls = \"none\"", box.Addr))
	s.fill(1, 2, 1000)
	s.exec(`UPDATE event SET by_name = by_name || '!' WHERE seq = 0`)
	hosts := map[string]*host{}
	for _, n := range []string{"server-a", "server-b", "studio-pc"} {
		hosts[n] = s.start(n, hostBeat+"=1")
	}
	told := func() (n int) {
		for _, x := range box.Got() {
			if bytes.Contains(x.Data, []byte("URGENT")) {
				n++
			}
		}
		return n
	}
	within(t, time.Minute, "a letter", func() bool { return told() > 0 })
	hosts["server-b"].kill()
	s.start("server-b", hostBeat+"=1")
	time.Sleep(5 * time.Second) // some rounds of all of them
	if n := told(); n != 1 {
		t.Errorf("%d letters about one fault", n)
	}
	checks := 0
	a := s.open("commands")
	defer a.Close()
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) error {
		all, err := x.Clock.Since(time.Time{}.Add(1))
		for _, f := range all {
			if f.Job == ledger.FiringVerify {
				checks++
			}
		}
		return err
	}); err != nil || checks != 1 {
		t.Errorf("the record was checked %d times, %v", checks, err)
	}
	s.exec(`UPDATE event SET by_name = rtrim(by_name, '!') WHERE seq = 0`)
	s.exec(`UPDATE event SET by_name = by_name || '!' WHERE seq = 1`)
	s.exec(`DELETE FROM firing WHERE job = 'verify'`) // tomorrow
	within(t, time.Minute, "another fault is told", func() bool { return told() > 1 })
	time.Sleep(3 * time.Second)
	if n := told(); n != 2 {
		t.Errorf("%d letters about two faults", n)
	}
}

// TestHostsClockOfACommand has a command whose clock is an hour ahead refuse to audit what hosts
// share: nothing bears its time, and nothing is due by it.
func TestHostsClockOfACommand(t *testing.T) {
	t.Parallel()
	s := newSharing(t, "")
	s.fill(1, 2, 1000)
	s.start("server-a")
	a, err := s.tryOpen("studio-pc", func() time.Time { return time.Now().Add(time.Hour) })
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()
	rs, err := a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Full: true})
	if !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), "the clock of studio-pc is 1h0m0s ahead") {
		t.Errorf("the audit gave %+v, %v", rs, err)
	}
	if r := s.audit("server-b"); len(r.Findings) > 0 || r.Read != 2 {
		t.Errorf("the audit by a right clock gave %+v", r)
	}
	later := 0
	if err := a.Ledger.View(context.Background(), func(x *ledger.Tx) error {
		return x.Log.Each(0, 1000, func(e ledger.Event) error {
			if e.At.After(time.Now().Add(time.Minute)) {
				later++
			}
			return nil
		})
	}); err != nil || later > 1 { // when the stores were noted, as it was opened
		t.Errorf("%d events bear the wrong time, %v", later, err)
	}
}

// within asks again and again, for so long.
func within(t *testing.T, d time.Duration, what string, is func() bool) time.Duration {
	t.Helper()
	for began := time.Now(); time.Since(began) < d; time.Sleep(100 * time.Millisecond) {
		if is() {
			return time.Since(began)
		}
	}
	t.Fatalf("not within %s: %s", d, what)
	return 0
}
