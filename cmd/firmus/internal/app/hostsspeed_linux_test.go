package app_test

import (
	"fmt"
	"os"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"
)

// TestHostsSpeed measures, where FIRMUS_HOSTS_SPEED names what: "hosts", how much faster three
// hosts are than one where each reads so fast and no faster; or a number of files, what jobs
// cost beside the plain loop.
func TestHostsSpeed(t *testing.T) {
	what := os.Getenv("FIRMUS_HOSTS_SPEED")
	switch files, err := strconv.Atoi(what); {
	case what == "":
		t.Skip("FIRMUS_HOSTS_SPEED names nothing to be measured")
	case what == "hosts":
		speedUp(t)
	case err == nil:
		overhead(t, files)
	default:
		t.Fatalf("FIRMUS_HOSTS_SPEED=%s", what)
	}
}

func speedUp(t *testing.T) {
	s := newSharing(t, `rate = "1MB/s"`)
	s.fill(60, 15, 100_000)
	timed := func() time.Duration {
		began := time.Now()
		if r := s.audit("commands"); r.Read != 900 {
			t.Fatalf("%d files were read", r.Read)
		}
		return time.Since(began)
	}
	s.start("server-a")
	one := timed()
	s.start("server-b")
	s.start("studio-pc")
	three := timed()
	t.Logf("90 MB at 1 MB/s a host: one host %s, three %s: %.2f times as fast", one.Round(100*time.Millisecond), three.Round(100*time.Millisecond), one.Seconds()/three.Seconds())
	if one.Seconds() < 2.7*three.Seconds() {
		t.Error("that is less than 2.7")
	}
}

func overhead(t *testing.T, files int) {
	s := newSharing(t, "")
	s.fill(files/200, 200, 200)
	run := func(h *host) (wall, cpu time.Duration) {
		before, began := used(t, h), time.Now()
		if r := s.audit("commands"); r.Read != int64(files/200*200) {
			t.Fatalf("%d files were read", r.Read)
		}
		return time.Since(began), used(t, h) - before
	}
	for range 2 {
		wall, cpu := run(nil)
		h := s.start("server-a", hostLong+"=1")
		// What a daemon does besides, when it starts, is no cost of jobs: it checks the record.
		for before, end := used(t, h), time.Now().Add(2*time.Minute); time.Now().Before(end); {
			time.Sleep(3 * time.Second)
			now := used(t, h)
			if now-before < 100*time.Millisecond {
				break
			}
			before = now
		}
		shared, sharedCPU := run(h)
		h.kill()
		t.Logf("%d files: the plain loop %s (%s of processors), by jobs of one host %s (%s): %.3f times as long, %.3f times the processors' time", files,
			wall.Round(10*time.Millisecond), cpu.Round(10*time.Millisecond), shared.Round(10*time.Millisecond), sharedCPU.Round(10*time.Millisecond),
			shared.Seconds()/wall.Seconds(), sharedCPU.Seconds()/cpu.Seconds())
	}
}

// used is the time of processors that this process and a host have taken.
func used(t *testing.T, h *host) time.Duration {
	t.Helper()
	var u syscall.Rusage
	if err := syscall.Getrusage(syscall.RUSAGE_SELF, &u); err != nil {
		t.Fatal(err)
	}
	all := time.Duration(u.Utime.Nano() + u.Stime.Nano())
	if h == nil {
		return all
	}
	b, err := os.ReadFile(fmt.Sprintf("/proc/%d/stat", h.cmd.Process.Pid))
	if err != nil {
		t.Fatal(err)
	}
	f := strings.Fields(string(b[strings.LastIndexByte(string(b), ')')+1:])) // proc(5): utime is field 14
	for _, x := range f[11:13] {
		n, err := strconv.ParseInt(x, 10, 64)
		if err != nil {
			t.Fatal(err)
		}
		all += time.Duration(n) * 10 * time.Millisecond
	}
	return all
}
