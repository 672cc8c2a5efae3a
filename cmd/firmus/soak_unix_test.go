//go:build unix

package main

import (
	"bufio"
	"fmt"
	"io"
	"net/http"
	"net/http/cookiejar"
	"net/url"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync/atomic"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/testing/mailtest"
	"firmus/testdata"
)

const soakConfig = `name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[set.access]
role = "access"
editing = "3d"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
rate = "%dMB/s"
sets = { masters = "studio/masters", access = "studio/access" }
[store.vault]
kind = "disk"
own_drive = true
place = "Safe, town hall"
schedule = "%d 1 * * *"
sets = { masters = "vault/masters", access = "vault/access" }
[mail]
server = "%s"
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example"]
tls = "none"
[web]
listen = "127.0.0.1:%s"
`

// grows are what a daemon must not use more of, as its metrics call it, and by how much the
// least of the last third of the time may be above the least of the first: there is one
// reload a second, so a goroutine or file that each leaves behind is past it within two minutes.
var grows = []struct {
	metric string
	margin float64
	unit   float64
}{
	{"go_goroutines", 20, 1},
	{"process_open_fds", 20, 1},
	{"process_resident_memory_bytes", 12 << 20, 1 << 20},
}

// TestSoak lets a real daemon work for as long as FIRMUS_SOAK says (60m): files come, change
// and go, commands audit and take in beside it, letters are sent, pages and metrics are
// fetched, and the configuration is changed and read anew each second. Memory, goroutines and
// open files must not grow. The first tenth of the time is left out: it fills caches.
func TestSoak(t *testing.T) {
	length, err := time.ParseDuration(os.Getenv("FIRMUS_SOAK"))
	if err != nil {
		t.Skip("FIRMUS_SOAK doesn't say how long")
	}
	if length < time.Minute {
		t.Fatal("FIRMUS_SOAK is less than a minute")
	}
	dir := t.TempDir()
	post, port := mailtest.Start(t, nil), freePort(t)
	s := &soak{T: t, dir: dir, address: "http://127.0.0.1:" + port}
	configure := func(n int) {
		s.put("firmus.toml.new", fmt.Appendf(nil, soakConfig, 100+n%2, n%2, post.Addr, port))
		s.move("firmus.toml.new", "firmus.toml")
	}
	configure(0)
	for i := range 60 {
		s.arrive(i)
	}
	for _, args := range [][]string{{"intake"}, {"audit"}} {
		s.command(args...)
	}
	s.serve()
	configure(1)

	got := map[string][]float64{}
	began := time.Now()
	tick := time.NewTicker(time.Second)
	defer tick.Stop()
	answered, refused := 0, 0
	for n := 0; time.Since(began) < length; n++ {
		<-tick.C
		configure(n)
		s.hup()
		s.churn(n)
		switch n % 20 {
		case 5:
			s.command("audit")
		case 12:
			s.command("intake")
		case 17:
			s.command("audit", "vault", "--full")
		}
		for _, page := range []string{"/", "/findings", "/record", "/health", "/stores", "/reels"} {
			if s.get(page) == nil {
				refused++
			} else {
				answered++
			}
		}
		metrics := s.get("/metrics")
		if metrics == nil {
			refused++
			continue
		}
		if failed := value(metrics, "firmus_config_reload_failed"); failed != 0 {
			t.Fatalf("second %d: a reload failed", n)
		}
		for _, g := range grows {
			got[g.metric] = append(got[g.metric], value(metrics, g.metric))
		}
		if n%60 == 0 {
			line := fmt.Sprintf("minute %d:", n/60)
			for _, g := range grows {
				line += fmt.Sprintf(" %s %.0f,", g.metric, got[g.metric][len(got[g.metric])-1]/g.unit)
			}
			t.Logf("%s ledger %d KiB, %d letters, %d answers, %d refused", line, s.ledger()>>10, len(post.Got()), answered, refused)
		}
	}
	for _, g := range grows {
		all := got[g.metric]
		if len(all) < int(length/time.Second)/4 {
			t.Fatalf("%s was told %d times in %s", g.metric, len(all), length)
		}
		all = all[len(all)/10:]
		third := len(all) / 3
		first, last := slices.Min(all[:third]), slices.Min(all[len(all)-third:])
		t.Logf("%s: at least %.1f in the first third, %.1f in the last, at most %.1f", g.metric, first/g.unit, last/g.unit, slices.Max(all)/g.unit)
		if last > first+g.margin {
			t.Errorf("%s grows", g.metric)
		}
	}
	if reloads := s.reloads.Load(); reloads < int64(length/time.Second)/4 {
		t.Errorf("the configuration was read anew %d times in %s", reloads, length)
	} else {
		t.Logf("%d reloads", reloads)
	}
	if len(post.Got()) == 0 {
		t.Error("no letter was sent")
	}
	if answered < 9*refused {
		t.Errorf("%d pages were answered, %d not", answered, refused)
	}
	s.stop()
	s.command("ledger", "verify")
}

// soak is a daemon in a process of its own, and its world.
type soak struct {
	*testing.T
	dir, address string
	client       http.Client
	daemon       *exec.Cmd
	ended        chan error
	reloads      atomic.Int64
}

func (s *soak) put(name string, data []byte) {
	s.Helper()
	at := filepath.Join(s.dir, name)
	if err := os.MkdirAll(filepath.Dir(at), 0o755); err != nil {
		s.Fatal(err)
	}
	if err := os.WriteFile(at, data, 0o644); err != nil {
		s.Fatal(err)
	}
}

func (s *soak) move(from, to string) {
	s.Helper()
	if err := os.Rename(filepath.Join(s.dir, from), filepath.Join(s.dir, to)); err != nil {
		s.Fatal(err)
	}
}

// old makes a file look as if it had been at rest for a month.
func (s *soak) old(name string) {
	s.Helper()
	at := time.Now().Add(-30 * 24 * time.Hour)
	if err := os.Chtimes(filepath.Join(s.dir, name), at, at); err != nil {
		s.Fatal(err)
	}
}

func masterName(i int) string { return fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i, i) }
func accessName(i int) string { return fmt.Sprintf("access/QV-%04d/QV-%04d_A.wav", i, i) }
func masterData(i int) []byte { return testdata.Wave(fmt.Sprint("soak", i), 60_000) }

// arrive brings an item: a master and an access copy, in both stores.
func (s *soak) arrive(i int) {
	s.Helper()
	for _, store := range []string{"studio/", "vault/"} {
		for name, data := range map[string][]byte{masterName(i): masterData(i), accessName(i): testdata.Wave(fmt.Sprint("access", i), 20_000)} {
			s.put(store+name, data)
			s.old(store + name)
		}
	}
}

// churn does what people and accidents do to files, one thing a second: each fault is put
// right ten seconds later, so that findings begin and end.
func (s *soak) churn(n int) {
	s.Helper()
	i := n / 20 % 60
	name := masterName(i)
	switch n % 20 {
	case 0:
		s.arrive(60 + n/20)
	case 2: // a master goes
		s.move("studio/"+name, "elsewhere")
	case 10:
		s.move("elsewhere", "studio/"+name)
	case 4: // a master is damaged in the other store
		b := masterData(i + 1)
		b[len(b)/2] ^= 1
		s.put("vault/"+masterName(i+1), b)
	case 14:
		s.put("vault/"+masterName(i+1), masterData(i+1))
	case 6: // an access copy is edited, and copied over
		b := testdata.Wave(fmt.Sprint("edit", n), 20_000+n%100*4)
		s.put("studio/"+accessName(i), b)
		s.put("vault/"+accessName(i), b)
	case 8: // something strays
		s.put("vault/masters/stray.txt", []byte(strconv.Itoa(n)))
	case 16:
		if err := os.Remove(filepath.Join(s.dir, "vault/masters/stray.txt")); err != nil {
			s.Fatal(err)
		}
	}
}

// command runs one to its end beside the daemon: it may have found something (1), or found
// what it needs in use (3).
func (s *soak) command(args ...string) {
	s.Helper()
	cmd := exec.Command(os.Args[0], args...)
	cmd.Dir, cmd.Env = s.dir, append(os.Environ(), beProgram+"=1")
	out, err := cmd.CombinedOutput()
	if code := cmd.ProcessState.ExitCode(); err != nil && code != 1 && code != 3 {
		s.Fatalf("%v: %v\n%s", args, err, out)
	}
}

var opensAt = regexp.MustCompile(`^open http\S*key=(\S+)`)

// serve starts the daemon, and signs in at its pages.
func (s *soak) serve() {
	s.Helper()
	jar, err := cookiejar.New(nil)
	if err != nil {
		s.Fatal(err)
	}
	s.client = http.Client{Jar: jar, Timeout: 20 * time.Second}
	s.daemon, s.ended = exec.Command(os.Args[0], "serve"), make(chan error, 1)
	s.daemon.Dir, s.daemon.Env = s.dir, append(os.Environ(), beProgram+"=1")
	said, err := s.daemon.StderrPipe()
	if err != nil {
		s.Fatal(err)
	}
	if err := s.daemon.Start(); err != nil {
		s.Fatal(err)
	}
	key := make(chan string, 1)
	var tail atomic.Value
	go func() {
		lines := bufio.NewScanner(said)
		for lines.Scan() {
			tail.Store(lines.Text())
			if m := opensAt.FindStringSubmatch(lines.Text()); m != nil {
				select {
				case key <- m[1]:
				default:
				}
			}
			if strings.Contains(lines.Text(), "the configuration was reloaded") {
				s.reloads.Add(1)
			}
		}
		s.ended <- s.daemon.Wait()
	}()
	s.Cleanup(func() {
		_ = s.daemon.Process.Kill()
		if s.Failed() {
			s.Logf("the last that the daemon said: %v", tail.Load())
		}
	})
	select {
	case k := <-key:
		res, err := s.client.PostForm(s.address+"/enter", url.Values{"key": {k}})
		if err != nil {
			s.Fatal(err)
		}
		res.Body.Close()
		if res.StatusCode != http.StatusOK {
			s.Fatal("nobody may enter: ", res.Status)
		}
	case err := <-s.ended:
		s.Fatal("the daemon ended: ", err)
	case <-time.After(time.Minute):
		s.Fatal("the daemon opens no page in a minute")
	}
}

func (s *soak) hup() {
	s.Helper()
	select {
	case err := <-s.ended:
		s.Fatal("the daemon ended: ", err)
	default:
	}
	if err := s.daemon.Process.Signal(syscall.SIGHUP); err != nil {
		s.Fatal(err)
	}
}

// stop ends the daemon in order.
func (s *soak) stop() {
	s.Helper()
	if err := s.daemon.Process.Signal(syscall.SIGTERM); err != nil {
		s.Fatal(err)
	}
	select {
	case err := <-s.ended:
		if err != nil {
			s.Error("the daemon ended with ", err)
		}
	case <-time.After(time.Minute):
		s.Fatal("the daemon doesn't stop in a minute")
	}
}

// get fetches a page; nil if there was no answer, as for a moment while the daemon begins
// anew. Any answer but the page is an error.
func (s *soak) get(path string) []byte {
	s.Helper()
	res, err := s.client.Get(s.address + path)
	if err != nil {
		return nil
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil || res.StatusCode == http.StatusServiceUnavailable {
		return nil
	}
	if res.StatusCode != http.StatusOK {
		s.Fatalf("%s: %s\n%s", path, res.Status, b)
	}
	return b
}

// ledger is the size of the ledger's files in bytes.
func (s *soak) ledger() (size int64) {
	s.Helper()
	files, err := filepath.Glob(filepath.Join(s.dir, "state", "ledger*"))
	if err != nil {
		s.Fatal(err)
	}
	for _, f := range files {
		if st, err := os.Stat(f); err == nil {
			size += st.Size()
		}
	}
	return size
}

// value finds a metric without labels; -1 if it isn't there.
func value(metrics []byte, name string) float64 {
	for l := range strings.Lines(string(metrics)) {
		if v, ok := strings.CutPrefix(l, name+" "); ok {
			if f, err := strconv.ParseFloat(strings.TrimSpace(v), 64); err == nil {
				return f
			}
		}
	}
	return -1
}
