package hosts_test

import (
	"context"
	"errors"
	"fmt"
	"sync"
	"testing"
	"time"

	"github.com/jackc/pgx/v5"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// sql is a connection to the ledger's database.
func (s *shared) sql() *pgx.Conn {
	s.t.Helper()
	db, err := pgx.Connect(context.Background(), s.place.URL)
	if err != nil {
		s.t.Fatal(err)
	}
	s.t.Cleanup(func() { db.Close(context.Background()) })
	return db
}

// copies has the ledger know a file of a size in each of some folders of the vault, which an
// audit is begun of.
func (s *shared) copies(db *pgx.Conn, sizes ...int64) {
	s.t.Helper()
	var tops []string
	for i, size := range sizes {
		top := fmt.Sprintf("QV-%04d", i)
		tops = append(tops, top)
		if _, err := db.Exec(context.Background(), `INSERT INTO instance (store, set_name, top, at, file, state, since, size) VALUES ('vault', 'masters', $1, $2, $3, 'intact', 1, $4)`,
			[]byte(top), []byte(top+"/a.wav"), int64(i+1), size); err != nil {
			s.t.Fatal(err)
		}
	}
	s.begin(tops...)
}

// tables has River's tables made.
func (s *shared) tables() {
	h, _ := s.run("server-x", s.work(nil), nil)
	h.Stop()
}

// handOut has a command hand out the audit's parts, while nobody does them.
func (s *shared) handOut(change func(*hosts.Options)) {
	h, _ := s.open("commands", nil, change)
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	if err := h.Work(ctx, s.audit, fixity.PhaseList, false); !errors.Is(err, context.DeadlineExceeded) {
		s.t.Errorf("nobody works: %v", err)
	}
}

// TestShardsInOneJob: a shard is in one job that lives, also where several lead that cut an audit
// in different places, and where what was in a job that was lost is handed out anew.
func TestShardsInOneJob(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	s.tables()
	db := s.sql()
	var sizes []int64
	for i := range 40 {
		sizes = append(sizes, int64(i+1)<<20)
	}
	s.copies(db, sizes...)
	check := func(when string) {
		rows, err := db.Query(context.Background(), `SELECT id, jsonb_array_elements(args->'shards')::bigint FROM river_job WHERE kind = 'slice' AND state = 'available'`)
		if err != nil {
			t.Fatal(err)
		}
		in, jobs := map[int64]int{}, map[int64]bool{}
		for rows.Next() {
			var id, shard int64
			if err := rows.Scan(&id, &shard); err != nil {
				t.Fatal(err)
			}
			in[shard]++
			jobs[id] = true
		}
		if len(in) != len(sizes)+2 || len(jobs) < 2 { // besides, QV-0107 and the root's own files
			t.Errorf("%s: %d shards are in %d jobs", when, len(in), len(jobs))
		}
		for id, k := range in {
			if k != 1 {
				t.Errorf("%s: shard %d is in %d jobs", when, id, k)
			}
		}
	}
	var wg sync.WaitGroup
	for _, rate := range []int64{1 << 20, 700 << 10, 400 << 10} {
		wg.Go(func() { s.handOut(func(o *hosts.Options) { o.Stores[0].Rate = rate }) })
	}
	wg.Wait()
	check("handed out by three")
	if _, err := db.Exec(context.Background(), `DELETE FROM river_job WHERE id = (SELECT id FROM river_job WHERE kind = 'slice' ORDER BY jsonb_array_length(args->'shards') DESC LIMIT 1)`); err != nil {
		t.Fatal(err)
	}
	s.handOut(func(o *hosts.Options) { o.Stores[0].Rate = 200 << 10 })
	check("one was lost")
}

// TestOneFileTakesLonger: a part has time for its largest file at the rate at which the store was
// measured, or may be read if that is less, and is done at its first try.
func TestOneFileTakesLonger(t *testing.T) {
	t.Parallel()
	const size = 2 << 20
	for _, c := range []struct {
		name                 string
		measured, configured int64
		takes                time.Duration // at the lower of the two
	}{
		{"it was never measured", 0, 0, 2 * time.Second},
		{"as it was measured", 2 << 20, 0, time.Second},
		{"measured as much slower than configured", 1 << 20, 1 << 30, 2 * time.Second},
		{"configured slower than measured", 1 << 30, 1 << 20, 2 * time.Second},
	} {
		t.Run(c.name, func(t *testing.T) {
			t.Parallel()
			s := newShared(t)
			s.copies(s.sql(), size)
			if c.measured > 0 {
				if err := s.main.Tx(context.Background(), time.Now(), func(x *ledger.Tx) error { return x.Clock.AddPace("vault", c.measured*10, 10*time.Second) }); err != nil {
					t.Fatal(err)
				}
			}
			tries := 0
			h, _ := s.run("server-a", s.work(func(w *hosts.Work) {
				w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
					tries++
					// It is read twice and once more, and the part has what it has besides.
					until, _ := ctx.Deadline()
					if has, wants := time.Until(until), 3*c.takes+400*time.Millisecond; has < wants-300*time.Millisecond || has > wants {
						t.Errorf("it has %s, want %s", has, wants)
					}
					select {
					case <-time.After(c.takes): // many times the part's own length
						return 0, s.list(ctx, p)
					case <-ctx.Done():
						return 0, context.Cause(ctx)
					}
				}
			}), func(o *hosts.Options) { o.Stores[0].Rate = c.configured })
			if err := s.share(h, false); err != nil {
				t.Fatal(err)
			}
			if tries != 1 {
				t.Errorf("it was tried %d times", tries)
			}
		})
	}
}

// TestRescuedAfterItsTime: a job of a host that died is another's two minutes after its time is
// over, and not before.
func TestRescuedAfterItsTime(t *testing.T) {
	t.Parallel()
	s := newShared(t)
	s.tables()
	db, ctx := s.sql(), context.Background()
	s.copies(db, 100<<20, 100<<20) // each too long to be beside the other
	s.handOut(nil)
	var ids []int64
	for _, past := range []string{"-10 seconds", "10 seconds"} {
		var id int64
		if err := db.QueryRow(ctx, `UPDATE river_job SET state = 'running', attempt = 1, attempted_by = ARRAY['server-dead'],
			attempted_at = now() - make_interval(secs => (args->>'seconds')::float8) - interval '4 minutes' - $1::interval
			WHERE id = (SELECT min(id) FROM river_job WHERE kind = 'slice' AND state = 'available') RETURNING (args->'shards'->>-1)::bigint`, past).Scan(&id); err != nil {
			t.Fatal(err)
		}
		ids = append(ids, id)
	}
	begun := make(chan int64, 10)
	s.run("server-a", s.work(func(w *hosts.Work) {
		w.Slice = func(ctx context.Context, p acts.Part, _ bool, _ func(int64) bool) (int64, error) {
			begun <- p.Shards[len(p.Shards)-1]
			return 0, s.list(ctx, p)
		}
	}), func(o *hosts.Options) { o.Times = hosts.Times{Retry: 100 * time.Millisecond} })
	took := map[int64]bool{}
	for end := time.After(20 * time.Second); !took[ids[1]]; {
		select {
		case id := <-begun:
			took[id] = true
		case <-end:
			t.Fatal("nobody took what is past its time")
		}
	}
	select {
	case id := <-begun:
		took[id] = true
	case <-time.After(time.Second):
	}
	if took[ids[0]] {
		t.Error("what may still be read on another host was begun")
	}
}
