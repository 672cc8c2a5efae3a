//go:build unix

package app_test

import (
	"context"
	"database/sql"
	"errors"
	"fmt"
	"math/rand/v2"
	"net/url"
	"os"
	"path"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// number is a number that the environment names, or another one.
func number(name string, else_ int) int {
	if n, err := strconv.Atoi(os.Getenv(name)); err == nil {
		return n
	}
	return else_
}

// killing is what goes wrong with hosts, at random moments, and what came of it.
type killing struct {
	*sharing
	r      *rand.Rand
	server *ledgertest.Server // nil: the database is only shut out
	hosts  []*host
	box    *mailtest.Server

	kills, stops, aways int // that are left
	crash               bool
	planted             map[string]bool // files that were damaged
}

// TestHostsKilled kills random hosts at random moments of audits, holds one up for longer than
// it takes until its jobs are others', and stops the database and starts it again, by turns whole
// and as a crash leaves it, as often as FIRMUS_HOSTS_KILLS, _STOPS and _AWAY say. Before each
// audit a file is damaged: it is found, and told once. FIRMUS_HOSTS_SEED repeats a run.
func TestHostsKilled(t *testing.T) {
	t.Parallel()
	if os.Getenv(ledgertest.Postgres) == "" {
		t.Skipf("hosts share a ledger on PostgreSQL: %s names no server", ledgertest.Postgres)
	}
	k := &killing{kills: number("FIRMUS_HOSTS_KILLS", 2), stops: number("FIRMUS_HOSTS_STOPS", 0), aways: number("FIRMUS_HOSTS_AWAY", 2), planted: map[string]bool{}}
	if testing.Short() {
		k.kills, k.aways = 1, 2
	}
	kills, stops, aways := k.kills, k.stops, k.aways
	seed := uint64(number("FIRMUS_HOSTS_SEED", int(time.Now().UnixNano()%1e9)))
	t.Logf("FIRMUS_HOSTS_SEED=%d", seed)
	k.r = rand.New(rand.NewPCG(seed, 0))
	k.box = mailtest.Start(t, nil)
	// A weekly letter is due in the middle of it, by the hosts' own clocks.
	weekly := time.Now().UTC().Add(130 * time.Second).Truncate(time.Minute)
	more := fmt.Sprintf("rate = \"1MB/s\"\n[mail]\nserver = %q\nfrom = \"firmus@example.org\"\nto = [\"archivist@example.org\"]\ntls = \"none\"\nweekly = %q", k.box.Addr, weekly.Format("Monday 15:04"))
	place := ledgertest.Place{}
	if k.server = ledgertest.Own(t, nil); k.server != nil {
		place = k.server.Place(t.TempDir())
	} else {
		t.Log("PostgreSQL's programs aren't here: the database is shut out, and not stopped")
		place = ledgertest.Database(t, t.TempDir())
	}
	k.sharing = sharingAt(t, place, more)
	k.measured = true // meanwhile it is measured how many of them read the vault
	const folders, files = 30, 4
	k.fill(folders, files, 100_000)
	for _, n := range []string{"server-a", "server-b", "studio-pc"} {
		k.hosts = append(k.hosts, k.start(n, "TZ=UTC"))
	}
	began, rounds := time.Now(), 0
	for ; rounds == 0 || k.kills+k.stops+k.aways > 0; rounds++ {
		k.round(rounds, folders, files)
	}
	k.letters(weekly)
	a := k.open("commands")
	defer a.Close()
	k.whole(a)
	b := k.bearing()
	if b.State == "" || b.N < 1 || b.N > 3 || b.At.After(time.Now()) {
		t.Errorf("what the vault bears is %+v", b)
	}
	t.Logf("the vault: %s", k.says())
	t.Logf("%d kills, %d hosts cut off, the database away %d times, in %d audits; %d files damaged, %d letters; %s", kills, stops, aways, rounds, len(k.planted), len(k.box.Got()), time.Since(began).Round(time.Second))
}

// damage changes a byte of a file in the vault that is whole, and nothing that shows.
func (k *killing) damage(folder int) {
	p := fmt.Sprintf("QV-%04d/QV-%04d_01.wav", folder, folder)
	k.planted[p] = true
	at := k.path("vault/" + p)
	b, err := os.ReadFile(at)
	if err != nil {
		k.t.Fatal(err)
	}
	st, err := os.Stat(at)
	if err != nil {
		k.t.Fatal(err)
	}
	b[50_000] ^= 1
	if err := errors.Join(os.WriteFile(at, b, 0o644), os.Chtimes(at, st.ModTime(), st.ModTime())); err != nil {
		k.t.Fatal(err)
	}
}

// round is an audit in which things go wrong.
func (k *killing) round(n, folders, files int) {
	t := k.t
	k.mu.Lock()
	clear(k.reads)
	k.mu.Unlock()
	if n < folders {
		k.damage(n)
	}
	type result struct {
		r   acts.AuditResult
		err error
	}
	done := make(chan result, 1)
	tries := 0
	audit := func() {
		a, err := k.tryOpen("commands", nil)
		if err != nil {
			time.Sleep(300 * time.Millisecond)
			done <- result{err: err}
			return
		}
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
		if k.kills+k.stops+k.aways > 0 && thisRound > 0 {
			next = time.After(time.Duration(300+k.r.IntN(2500)) * time.Millisecond)
		}
		select {
		case got = <-done:
			// Without its database a command ends, and is given again.
			if over = got.err == nil && len(got.r.Trouble) == 0; !over {
				if tries++; tries > 20 {
					t.Fatalf("the audit doesn't come to its end: %v, %v", got.err, got.r.Trouble)
				}
				t.Logf("given again: %v %v", got.err, got.r.Trouble)
				go audit()
			}
		case <-next:
			thisRound--
			may += k.hurt()
		}
	}
	res := got.r
	wrong := slices.ContainsFunc(res.Findings, func(f ledger.Finding) bool { return string(f.Kind) != string(fixity.Altered) })
	if wrong || len(res.Findings) != len(k.planted) || !res.Complete || res.Read != int64(folders*files) && tries == 0 || res.Read+res.ReadBefore < int64(folders*files) {
		for _, h := range k.hosts {
			t.Logf("%s: %s", h.name, h.log)
		}
		t.Fatalf("round %d, given %d times, %d files damaged: the audit gave %+v", n, tries+1, len(k.planted), res)
	}
	sum, twice := int64(0), 0
	for _, n := range res.ReadBy {
		sum += n
	}
	k.mu.Lock()
	for p, n := range k.reads {
		if !k.planted[p] { // those are read again to be sure
			twice += n - 1
		}
	}
	all := len(k.reads)
	k.mu.Unlock()
	// A command that finds no host running, as just after the database was away, reads by itself.
	if sum != int64(folders*files) || all+int(res.ReadBy["commands"]) < folders*files || twice > may {
		t.Errorf("round %d: %d readings were kept (%v), of %d files; %d readings more than one a file, where %d may have been in flight", n, sum, res.ReadBy, all, twice, may)
	}
	t.Logf("round %d: %v, %d readings again", n, res.ReadBy, twice)
}

// hurt does one thing that goes wrong, and gives how many files it may have read once more.
func (k *killing) hurt() (may int) {
	i := k.r.IntN(len(k.hosts))
	switch what := k.r.IntN(k.kills + k.stops + k.aways); {
	case what < k.kills:
		k.kills--
		k.hosts[i].kill()
		k.hosts[i] = k.start(k.hosts[i].name, "TZ=UTC")
		return inFlight
	case what < k.kills+k.stops:
		k.stops--
		if err := k.hosts[i].cmd.Process.Signal(syscall.SIGSTOP); err != nil {
			k.t.Fatal(err)
		}
		time.Sleep(40 * time.Second)
		if err := k.hosts[i].cmd.Process.Signal(syscall.SIGCONT); err != nil {
			k.t.Fatal(err)
		}
		return inFlight
	}
	k.aways--
	d := time.Duration(500+k.r.IntN(4000)) * time.Millisecond
	if k.server == nil {
		k.away(d)
	} else {
		k.server.Stop(!k.crash)
		k.crash = !k.crash
		time.Sleep(d)
		k.server.Start()
	}
	return inFlight * len(k.hosts)
}

// letters waits until all is told, and counts: each damaged file is told, each letter of the
// outbox came, and none came twice or tells of anything else.
func (k *killing) letters(weekly time.Time) {
	t := k.t
	a := k.open("commands")
	defer a.Close()
	look := func(do func(x *ledger.Tx) error) {
		if err := a.Ledger.View(context.Background(), do); err != nil {
			t.Fatal(err)
		}
	}
	told := func() (all, weekly bool) {
		look(func(x *ledger.Tx) error {
			findings, err := x.Findings.Open("")
			is, err2 := x.Post.Told()
			c, err3 := x.Post.Cursor()
			all, weekly = len(findings) == len(k.planted) && len(is) == len(k.planted), !c.Weekly.IsZero()
			return errors.Join(err, err2, err3)
		})
		return all, weekly
	}
	within(t, time.Minute, "all is told", func() bool { all, _ := told(); return all })
	within(t, max(time.Until(weekly), 0)+time.Minute, "the weekly letter is written", func() bool { _, is := told(); return is })
	time.Sleep(2 * time.Second) // those that are being sent
	// A letter whose sender was killed waits for some minutes: nobody is at it by now.
	if err := a.Ledger.Tx(context.Background(), time.Now(), func(x *ledger.Tx) error { _, err := x.Post.TryAgain(); return err }); err != nil {
		t.Fatal(err)
	}
	within(t, time.Minute, "all letters left", func() (is bool) {
		look(func(x *ledger.Tx) error { c, err := x.Post.Counts(); is = c.Waiting+c.Failed == 0; return err })
		return is
	})
	time.Sleep(2 * time.Second) // several rounds of every host's
	came := map[string]int{}
	abouts := map[string]int{}
	for _, x := range k.box.Got() {
		m := x.Parse(t)
		if came[m.Header.Get("Message-ID")]++; came[m.Header.Get("Message-ID")] > 1 {
			t.Errorf("a letter came twice: %s", m.Header.Get("Subject"))
		}
	}
	weeklies := 0
	look(func(x *ledger.Tx) error {
		ds, err := x.Post.Deliveries(0)
		for _, d := range ds {
			if came["<"+d.Letter.MessageID+">"] != 1 {
				t.Errorf("%q came %d times", d.Letter.Subject, came["<"+d.Letter.MessageID+">"])
			}
			delete(came, "<"+d.Letter.MessageID+">")
			if d.Letter.Kind == ledger.LetterWeekly {
				weeklies++
				continue
			}
			about := ""
			for p := range k.planted {
				if strings.Contains(d.Letter.Text, strings.TrimSuffix(path.Base(p), ".wav")) {
					about = p
					if d.Letter.Kind == ledger.LetterFirst {
						abouts[p]++
					}
				}
			}
			if about == "" {
				t.Errorf("a letter about something else: %s\n%s", d.Letter.Subject, d.Letter.Text)
			}
		}
		return err
	})
	if len(came) > 0 || weeklies != 1 {
		t.Errorf("%d letters came that are in no outbox, and there are %d weekly ones", len(came), weeklies)
	}
	for p := range k.planted {
		if abouts[p] != 1 {
			t.Errorf("%s was told first %d times", p, abouts[p])
		}
	}
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
