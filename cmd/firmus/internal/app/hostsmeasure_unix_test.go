//go:build unix

package app_test

import (
	"context"
	"os"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func init() { inTurn = oneAtATime }

// oneAtATime waits until no other process is in it, and stays for a time.
func oneAtATime(file string, d time.Duration) error {
	f, err := os.OpenFile(file, os.O_CREATE|os.O_RDWR, 0o600)
	if err != nil {
		return err
	}
	defer f.Close()
	if err := syscall.Flock(int(f.Fd()), syscall.LOCK_EX); err != nil {
		return err
	}
	time.Sleep(d)
	return nil
}

// bearing is what was measured of the vault.
func (s *sharing) bearing() (b ledger.Bearing) {
	s.t.Helper()
	a := s.open("commands")
	defer a.Close()
	if err := a.Ledger.View(context.Background(), func(t *ledger.Tx) (err error) { b, err = t.Hosts.Bearing("vault"); return err }); err != nil {
		s.t.Fatal(err)
	}
	return b
}

// measure audits the vault until it is known how many hosts it bears.
func (s *sharing) measure() ledger.Bearing {
	s.t.Helper()
	for end := time.Now().Add(3 * time.Minute); time.Now().Before(end); {
		if r := s.audit("commands"); r.Busy {
			time.Sleep(100 * time.Millisecond) // a host audits it by itself
		} else if !r.Complete || len(r.Findings) > 0 {
			s.t.Fatalf("the audit gave %+v", r)
		}
		if b := s.bearing(); b.State != "" && b.Why != fixity.BoundOpen {
			return b
		}
	}
	s.t.Fatalf("it isn't known what the vault bears: %+v", s.bearing())
	return ledger.Bearing{}
}

// says is what people are told of the vault.
func (s *sharing) says() (said string) {
	s.t.Helper()
	a := s.open("commands")
	defer a.Close()
	if err := a.Ledger.View(context.Background(), func(t *ledger.Tx) (err error) { said, err = a.Acts.ReadAtOnce(t, "vault"); return err }); err != nil {
		s.t.Fatal(err)
	}
	return said
}

// TestHostsMeasure has three hosts find out how many of them a store bears: one that gives each so
// much and no more, and one that a single reader fills.
func TestHostsMeasure(t *testing.T) {
	if testing.Short() {
		t.Skip("it reads for half a minute")
	}
	for _, c := range []struct {
		name, more string
		env        func(s *sharing) []string
		n          int
		why        fixity.Bound
		says       string
	}{
		{"each gets so much", `rate = "400kB/s"`, func(*sharing) []string { return nil }, 3, fixity.BoundHosts, "up to 3 hosts at the same time, as was measured"},
		{"one fills it", "", func(s *sharing) []string { return []string{hostOne + "=" + s.path("one"), hostSlow + "=25ms"} }, 1, fixity.BoundGain, "one host at a time, as was measured"},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newSharing(t, c.more)
			s.measured = true
			s.fill(30, 10, 20_000)
			if said := s.says(); !strings.Contains(said, "up to 2 hosts at the same time until it is measured") {
				t.Errorf("before, it says %q", said)
			}
			began := time.Now()
			for _, h := range []string{"server-a", "server-b", "studio-pc"} {
				s.start(h, c.env(s)...)
			}
			b := s.measure()
			t.Logf("after %s: %+v", time.Since(began).Round(time.Second), b)
			if b.N != c.n || b.Why != c.why {
				t.Errorf("it was found that it bears %d (%s)", b.N, b.Why)
			}
			if said := s.says(); !strings.Contains(said, c.says) {
				t.Errorf("it says %q", said)
			}
		})
	}
}
