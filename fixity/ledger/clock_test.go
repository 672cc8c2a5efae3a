package ledger_test

import (
	"context"
	"errors"
	"strings"
	"sync/atomic"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// TestAWrongClockRecordsNothing: a computer whose clock jumps records nothing until it is right
// again, and neither does one record a time in the future that was taken before.
func TestAWrongClockRecordsNothing(t *testing.T) {
	t.Parallel()
	d := onPostgres(t)
	var off atomic.Int64
	now := func() time.Time { return time.Now().Add(time.Duration(off.Load())) }
	o := d.options()
	o.Now, o.Clock = now(), now
	l, err := ledger.Open(context.Background(), o)
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	note := func(at time.Time) error {
		return l.Tx(context.Background(), at, func(t *ledger.Tx) error {
			return t.Hosts.PutBearing(ledger.Bearing{Store: "vault", N: int(at.Unix()), State: "{}"})
		})
	}
	is := func() (n int) {
		if err := l.View(context.Background(), func(t *ledger.Tx) error { b, err := t.Hosts.Bearing("vault"); n = b.N; return err }); err != nil {
			t.Fatal(err)
		}
		return n
	}
	if err := note(now()); err != nil {
		t.Fatal(err)
	}
	was := is()
	for _, c := range []struct {
		by   time.Duration
		says string
	}{
		{time.Hour, "1h0m0s ahead of"}, {-time.Hour, "1h0m0s behind"}, {365 * 24 * time.Hour, "8760h0m0s ahead of"}, {-365 * 24 * time.Hour, "8760h0m0s behind"},
		{ledger.Apart + 5*time.Second, "1m5s ahead of"},
	} {
		off.Store(int64(c.by))
		if err := note(now()); !errors.Is(err, ledger.ErrClock) || !errors.Is(err, fixity.ErrRefused) || !strings.Contains(err.Error(), c.says) {
			t.Errorf("by %s: %v", c.by, err)
		}
		taken := now()
		off.Store(0)
		if err := note(taken); c.by > 0 && !errors.Is(err, ledger.ErrClock) {
			t.Errorf("a time taken before the clock was set right by %s: %v", -c.by, err)
		}
		if c.by > 0 && is() != was {
			t.Errorf("by %s: it was recorded", c.by)
		}
		was = is()
	}
	off.Store(int64(ledger.Apart - 10*time.Second))
	if err := note(now()); err != nil {
		t.Errorf("by less than a minute: %v", err)
	}
	off.Store(int64(time.Hour))
	if err := l.Untimed(context.Background(), now(), func(t *ledger.Tx) error {
		return t.Hosts.Put(ledger.Host{Name: "server-a", Began: now(), Seen: now()})
	}); err != nil {
		t.Errorf("that the host is there can't be said: %v", err)
	}
}
