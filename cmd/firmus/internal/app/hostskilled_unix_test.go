//go:build unix

package app_test

import (
	"context"
	"database/sql"
	"math/rand/v2"
	"net/url"
	"os"
	"path"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/testing/ledgertest"
)

// number is a number that the environment names, or another one.
func number(name string, else_ int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return else_
}

// TestHostsKilled kills random hosts at random moments of audits, holds one up for longer than
// it takes until its jobs are others', and keeps everybody out of the database for a while, as
// often as FIRMUS_HOSTS_KILLS, _STOPS and _AWAY say. FIRMUS_HOSTS_SEED repeats a run.
func TestHostsKilled(t *testing.T) {
	t.Parallel()
	s := newSharing(t, `rate = "1MB/s"`)
	kills, stops, aways := number("FIRMUS_HOSTS_KILLS", 2), number("FIRMUS_HOSTS_STOPS", 0), number("FIRMUS_HOSTS_AWAY", 1)
	if testing.Short() {
		kills, aways = 1, 1
	}
	seed := uint64(number("FIRMUS_HOSTS_SEED", int(time.Now().UnixNano()%1e9)))
	t.Logf("FIRMUS_HOSTS_SEED=%d", seed)
	r := rand.New(rand.NewPCG(seed, 0))
	const folders, files = 30, 4
	s.fill(folders, files, 100_000)
	names := []string{"server-a", "server-b", "studio-pc"}
	var hosts []*host
	for _, n := range names {
		hosts = append(hosts, s.start(n))
	}
	began := time.Now()
	rounds, hurt := 0, 0
	for ; rounds == 0 || kills+stops+aways > 0; rounds++ {
		clear(s.reads)
		type result struct {
			r   acts.AuditResult
			err error
		}
		done := make(chan result, 1)
		tries := 0
		audit := func() {
			a := s.open("commands")
			defer a.Close()
			ctx, cancel := context.WithTimeout(context.Background(), 4*time.Minute)
			defer cancel()
			rs, err := a.Acts.Audit(ctx, acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed, Wait: time.Minute})
			if len(rs) == 0 {
				rs = make([]acts.AuditResult, 1)
			}
			done <- result{rs[0], err}
		}
		go audit()
		may, thisRound := 0, 15
		var got result
		for over := false; !over; {
			var next <-chan time.Time
			if kills+stops+aways > 0 && thisRound > 0 {
				next = time.After(time.Duration(300+r.IntN(2500)) * time.Millisecond)
			}
			select {
			case got = <-done:
				// Without its database a command ends, and is given again.
				if over = got.err == nil && len(got.r.Trouble) == 0; !over {
					if tries++; tries > 5 {
						t.Fatalf("the audit doesn't come to its end: %v, %v", got.err, got.r.Trouble)
					}
					t.Logf("given again: %v %v", got.err, got.r.Trouble)
					go audit()
				}
			case <-next:
				thisRound--
				hurt++
				may += inFlight
				i := r.IntN(len(hosts))
				switch what := r.IntN(kills + stops + aways); {
				case what < kills:
					kills--
					hosts[i].kill()
					hosts[i] = s.start(names[i])
				case what < kills+stops:
					stops--
					if err := hosts[i].cmd.Process.Signal(syscall.SIGSTOP); err != nil {
						t.Fatal(err)
					}
					time.Sleep(40 * time.Second)
					if err := hosts[i].cmd.Process.Signal(syscall.SIGCONT); err != nil {
						t.Fatal(err)
					}
				default:
					aways--
					may += inFlight * (len(hosts) - 1)
					s.away(time.Duration(500+r.IntN(4000)) * time.Millisecond)
				}
			}
		}
		res := got.r
		if len(res.Findings) > 0 || !res.Complete || res.Read != folders*files && tries == 0 || res.Read+res.ReadBefore < folders*files {
			for _, h := range hosts {
				t.Logf("%s: %s", h.name, h.log)
			}
			t.Fatalf("round %d, given %d times: the audit gave %+v", rounds, tries+1, res)
		}
		sum, twice := int64(0), 0
		for _, n := range res.ReadBy {
			sum += n
		}
		s.mu.Lock()
		for _, n := range s.reads {
			twice += n - 1
		}
		all := len(s.reads)
		s.mu.Unlock()
		if sum != folders*files || all != folders*files || twice > may {
			t.Errorf("round %d: %d readings were kept (%v), of %d files; %d readings more than one a file, where %d may have been in flight", rounds, sum, res.ReadBy, all, twice, may)
		}
		t.Logf("round %d: %v, %d readings again", rounds, res.ReadBy, twice)
	}
	a := s.open("commands")
	defer a.Close()
	s.whole(a)
	t.Logf("%d times hurt in %d audits, %s", hurt, rounds, time.Since(began).Round(time.Second))
}

// TestHostsDisturbed disturbs an audit while it is read: one host is slow, another is told to go
// over to a configuration that differs from the others', and two begin that may not, one with a
// name that is taken and one of another version. Each file is read once.
func TestHostsDisturbed(t *testing.T) {
	t.Parallel()
	s := newSharing(t, `rate = "300kB/s"`)
	const folders, files = 24, 3
	s.fill(folders, files, 100_000)
	s.start("server-a")
	b := s.start("server-b")
	s.start("studio-pc", hostSlow+"=1s")
	done := make(chan acts.AuditResult, 1)
	go func() { done <- s.audit("commands") }()
	for read := 0; read < 5; time.Sleep(20 * time.Millisecond) {
		s.mu.Lock()
		read = len(s.reads)
		s.mu.Unlock()
	}
	s.config("server-b", s.path("vault"), s.path("elsewhere"))
	if err := b.cmd.Process.Signal(syscall.SIGHUP); err != nil {
		t.Fatal(err)
	}
	file := s.config("server-c", `name = "server-c"`, `name = "server-a"`)
	if said := s.refused("server-a", file); !strings.Contains(said, "runs already") || !strings.Contains(said, "server-a") {
		t.Errorf("one whose name is taken said %s", said)
	}
	if said := s.refused("server-d", s.config("server-d"), hostVersion+"=2"); !strings.Contains(said, "test2") {
		t.Errorf("one of another version said %s", said)
	}
	r := <-done
	if len(r.Findings) > 0 || len(r.Trouble) > 0 || !r.Complete || r.Read != folders*files || len(r.ReadBy) != 3 {
		t.Errorf("the audit gave %+v", r)
	}
	for path, n := range s.reads {
		if n != 1 {
			t.Errorf("%s was opened %d times", path, n)
		}
	}
	b.kill()
	if said := b.log.String(); !strings.Contains(said, "was not reloaded") || !strings.Contains(said, "root of masters") {
		t.Errorf("the one that was to differ said %s", said)
	}
}

// away keeps everybody out of the ledger's database for a while.
func (s *sharing) away(d time.Duration) {
	s.t.Helper()
	admin, err := sql.Open("pgx", os.Getenv(ledgertest.Postgres))
	if err != nil {
		s.t.Fatal(err)
	}
	defer admin.Close()
	u, err := url.Parse(s.place.URL)
	if err != nil {
		s.t.Fatal(err)
	}
	name := path.Base(u.Path)
	run := func(q string, args ...any) {
		if _, err := admin.Exec(q, args...); err != nil {
			s.t.Fatal(err)
		}
	}
	run(`ALTER DATABASE ` + name + ` WITH ALLOW_CONNECTIONS false`)
	run(`SELECT pg_terminate_backend(pid) FROM pg_stat_activity WHERE datname = $1`, name)
	time.Sleep(d)
	run(`ALTER DATABASE ` + name + ` WITH ALLOW_CONNECTIONS true`)
}
