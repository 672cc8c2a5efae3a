package app_test

import (
	"context"
	"fmt"
	"os"
	"slices"
	"strconv"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
)

// TestHostsSpeed measures, where FIRMUS_HOSTS_SPEED names what: "hosts", how much faster three
// hosts are than one where each reads so fast and no faster; or a number of files, what jobs
// cost beside the plain loop. FIRMUS_HOSTS_FOLDERS are first-level folders, FIRMUS_HOSTS_PAIRS
// how often.
func TestHostsSpeed(t *testing.T) {
	what := os.Getenv("FIRMUS_HOSTS_SPEED")
	switch files, err := strconv.Atoi(what); {
	case what == "":
		t.Skip("FIRMUS_HOSTS_SPEED names nothing to be measured")
	case what == "hosts":
		speedUp(t)
	case err == nil:
		overhead(t, files, number("FIRMUS_HOSTS_FOLDERS", max(files/200, 1)))
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

// overhead compares audits by the plain loop and by jobs of one host, in pairs by turns, in
// which the other one comes first. A file of 200 bytes costs what is done for each file alone.
func overhead(t *testing.T, files, folders int) {
	s := newSharing(t, "")
	s.fill(folders, files/folders, 200)
	run := func(h *host) (wall, cpu float64) {
		a := s.open("commands")
		defer a.Close()
		before, began := used(t, h), time.Now()
		rs, err := a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"vault"}, Full: true, Cache: fixity.Bypassed})
		if err != nil || rs[0].Read != int64(files/folders*folders) || (h != nil) != (rs[0].ReadBy["server-a"] > 0) {
			t.Fatalf("the audit gave %+v, %v", rs, err)
		}
		return time.Since(began).Seconds(), (used(t, h) - before).Seconds()
	}
	plain := func() (float64, float64) { return run(nil) }
	shared := func() (float64, float64) {
		h := s.start("server-a", hostLong+"=1")
		defer h.kill()
		// What a daemon does besides, when it starts, is no cost of jobs: it checks the record.
		for before, end := used(t, h), time.Now().Add(2*time.Minute); time.Now().Before(end); {
			time.Sleep(3 * time.Second)
			now := used(t, h)
			if now-before < 100*time.Millisecond {
				break
			}
			before = now
		}
		defer func() {
			if said := h.log.String(); strings.Contains(said, "job") { // which was tried again
				t.Errorf("the host said %s", said)
			}
		}()
		return run(h)
	}
	var walls, cpus []float64
	for i := range number("FIRMUS_HOSTS_PAIRS", 5) {
		var wall, cpu, byJobs, cpuByJobs float64
		if i%2 == 0 {
			wall, cpu = plain()
			byJobs, cpuByJobs = shared()
		} else {
			byJobs, cpuByJobs = shared()
			wall, cpu = plain()
		}
		walls, cpus = append(walls, byJobs/wall), append(cpus, cpuByJobs/cpu)
		t.Logf("%d files in %d folders: the plain loop %.2f s (%.2f s of processors), by jobs of one host %.2f s (%.2f s): %.3f times as long, %.3f times the processors' time",
			files, folders, wall, cpu, byJobs, cpuByJobs, byJobs/wall, cpuByJobs/cpu)
	}
	slices.Sort(walls)
	slices.Sort(cpus)
	t.Logf("medians of %d: %.3f times as long, %.3f times the processors' time", len(walls), walls[len(walls)/2], cpus[len(cpus)/2])
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
