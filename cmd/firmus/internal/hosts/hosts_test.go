package hosts_test

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"os"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// shared is a ledger that hosts share, with an audit of the vault that waits to be listed.
type shared struct {
	t     *testing.T
	place ledgertest.Place
	audit ledger.Audit
	main  *ledger.Ledger
}

func newShared(t *testing.T) *shared {
	t.Helper()
	if os.Getenv(ledgertest.Postgres) == "" {
		t.Skipf("hosts share a ledger on PostgreSQL: %s names no server", ledgertest.Postgres)
	}
	s := &shared{t: t, place: ledgertest.Database(t, t.TempDir())}
	s.main = s.ledger("commands")
	s.begin()
	return s
}

// begin begins an audit of the vault, which ends one that was begun before.
func (s *shared) begin() {
	s.t.Helper()
	if err := s.main.Tx(context.Background(), time.Now(), func(t *ledger.Tx) (err error) {
		if err := t.Stores.Put(ledger.Store{Name: "vault", Kind: "disk", Roots: []ledger.Root{{Set: "masters", Root: "/vault"}}}); err != nil {
			return err
		}
		if s.audit, _, err = t.Audits.Begin(ledger.Audit{Store: "vault", Kind: ledger.Plain, Sets: []string{"masters"}, Cache: fixity.Bypassed, By: "a test"}); err != nil {
			return err
		}
		_, err = t.Audits.AddShards(s.audit, "masters", []string{"QV-0107"})
		return err
	}); err != nil {
		s.t.Fatal(err)
	}
}

// ledger is as one host has it open.
func (s *shared) ledger(host string) *ledger.Ledger {
	s.t.Helper()
	o := s.place.Options()
	o.State, o.Host, o.By, o.Now = s.t.TempDir(), host, "a test", time.Now()
	o.Rules = care.Rules{Copies: 1, Places: 1, Sets: []care.Set{{Name: "masters", Role: "master"}}, Stores: []care.Store{{Name: "vault", Kind: "disk", Sets: []string{"masters"}}}}
	l, err := ledger.Open(context.Background(), o)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { l.Close() })
	return l
}

// list does what a slice of a listing does.
func (s *shared) list(ctx context.Context, p acts.Part) error {
	rec := s.main.Record(time.Now, "a test")
	for _, id := range p.Shards {
		x, err := rec.Claim(ctx, fixity.Job{Audit: p.Audit, Shard: id})
		if err == nil {
			err = rec.CommitListing(ctx, fixity.Listed{Shard: x, Done: true})
		}
		if err != nil {
			return err
		}
	}
	return nil
}

// work is what a host does that finds the vault, and whose slices list it; change changes that.
func (s *shared) work(change func(*hosts.Work)) *hosts.Work {
	w := &hosts.Work{
		Slice: func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			return 0, s.list(ctx, p)
		},
		FollowUp: func(context.Context, string, fixity.Cache) error { return nil },
		Here:     func(context.Context) []string { return []string{"vault"} },
		Wants:    func(context.Context) []string { return nil },
		Turn:     func(string) {},
	}
	if change != nil {
		change(w)
	}
	return w
}

// notes are what a host logs.
type notes struct {
	t    *testing.T
	mu   sync.Mutex
	text string
}

// Write implements io.Writer.
func (n *notes) Write(b []byte) (int, error) {
	n.mu.Lock()
	defer n.mu.Unlock()
	n.text += string(b)
	return len(b), nil
}

func (n *notes) String() string {
	n.mu.Lock()
	defer n.mu.Unlock()
	return n.text
}

// open opens a host with short times; change changes its options.
func (s *shared) open(name string, w *hosts.Work, change func(*hosts.Options)) (*hosts.Host, *notes) {
	s.t.Helper()
	said := &notes{t: s.t}
	o := hosts.Options{URL: s.place.URL, Name: name, Ledger: s.ledger(name), Log: slog.New(slog.NewTextHandler(said, nil)), Now: time.Now, Version: "1", Agreed: hosts.Agreed{"the rule": "one"},
		Stores: []hosts.Store{{Name: "vault"}}, Work: w, Slice: 200 * time.Millisecond, Grace: 200 * time.Millisecond, Rescue: 2 * time.Second, Look: 200 * time.Millisecond, Beat: 200 * time.Millisecond}
	if change != nil {
		change(&o)
	}
	h, err := hosts.Open(context.Background(), o)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(h.Close)
	return h, said
}

// run opens a host that works until the test ends.
func (s *shared) run(name string, w *hosts.Work, change func(*hosts.Options)) (*hosts.Host, *notes) {
	s.t.Helper()
	h, said := s.open(name, w, change)
	err := h.Join(context.Background())
	if err == nil {
		err = h.Start(context.Background())
	}
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(h.Stop)
	return h, said
}

// share has the audit listed by whoever takes it.
func (s *shared) share(h *hosts.Host, windows bool) error {
	ctx, cancel := context.WithTimeoutCause(context.Background(), 30*time.Second, errors.New("the test's time is over"))
	defer cancel()
	return h.Work(ctx, s.audit, fixity.PhaseList, windows)
}

// TestLongParts: a part that takes longer than it was thought to is given twice as long, again
// and again, until it ends.
func TestLongParts(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	var had []time.Duration
	h, _ := s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			until, _ := ctx.Deadline()
			has := time.Until(until)
			had = append(had, has.Round(100*time.Millisecond))
			if has < 700*time.Millisecond {
				<-ctx.Done()
				return 0, fmt.Errorf("read: %w", context.Cause(ctx))
			}
			return 0, s.list(ctx, p)
		}
	}), func(o *hosts.Options) { o.Retry = 100 * time.Millisecond })
	if err := s.share(h, false); err != nil {
		t.Fatal(err)
	}
	if len(had) != 2 || had[1] < 3*had[0]/2 {
		t.Errorf("it had %v: want a second time, twice as long", had)
	}
}

// TestStraysAreLong: a part has time for a stray that may have to be read.
func TestStraysAreLong(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	ctx, rec := context.Background(), s.main.Record(time.Now, "a test")
	jobs, err := rec.Open(ctx, s.audit.ID, fixity.PhaseList)
	for _, j := range jobs {
		x, e := rec.Claim(ctx, j)
		l := fixity.Listed{Shard: x, Done: true}
		if x.Top == "QV-0107" {
			l.Strays = []fixity.Entry{{Path: "QV-0107/QV-0107_01.wav", Size: 1 << 40, ModTime: time.Now()}}
		}
		err = errors.Join(err, e, rec.CommitListing(ctx, l))
	}
	if err != nil {
		t.Fatal(err)
	}
	longest := int64(0)
	if err := s.main.View(ctx, func(t *ledger.Tx) error {
		ps, err := t.Audits.Pieces(s.audit.ID, fixity.PhaseListed)
		for _, p := range ps {
			longest = max(longest, p.Longest)
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
	if longest != 1<<40 {
		t.Errorf("the longest is thought to have %d bytes", longest)
	}
}
