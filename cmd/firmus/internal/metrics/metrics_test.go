package metrics_test

import (
	"context"
	"flag"
	"net/http/httptest"
	"os"
	"os/exec"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"
	"github.com/prometheus/client_golang/prometheus"
	"github.com/prometheus/client_golang/prometheus/promhttp"
	"github.com/prometheus/client_golang/prometheus/testutil"

	"firmus/cmd/firmus/internal/metrics"
	"firmus/fixity"
)

var update = flag.Bool("update", false, "write testdata/*.txt anew")

var now = time.Date(2026, 11, 25, 3, 7, 0, 0, time.UTC)

func full() metrics.Facts {
	return metrics.Facts{
		LedgerUp: true, Writable: true, Free: 123_000_000_000, Reloaded: now.Add(-48 * time.Hour),
		Files: []metrics.Files{{"studio", "masters", fixity.Intact, 4211, 2_000_000_000_000}, {"studio", "masters", fixity.Altered, 1, 500_000_000}, {"vault", "masters", fixity.Awaited, 9, 0}},
		Open:  []metrics.Open{{"studio", "altered", fixity.AtRisk, 1}, {"vault", fixity.Late, fixity.Tidy, 1}, {"sold", "missing", fixity.NoneIntact, 2}},
		Stores: []metrics.Store{
			{Name: "studio", Sets: []metrics.Set{{"masters", now.Add(-time.Hour)}, {"access", time.Time{}}}, Seen: now.Add(-time.Hour), Promise: 30 * 24 * time.Hour,
				Counted: true, Held: 4212, Within: 4000, NeverRead: 3, Oldest: now.AddDate(0, 0, -31), Broken: now.AddDate(0, 0, 4), Next: now.Add(22 * time.Hour),
				LastRun: now.Add(-2 * time.Hour), LastOK: now.Add(-26 * time.Hour), Missed: 1, Running: true, BackedUp: true, Backup: now.Add(-3 * time.Hour)},
			{Name: "vault", Away: true, Listed: true, Trouble: true},
			{Name: "cloud", Credential: now.AddDate(0, 0, 50)}, {Name: "safe", Visiting: true, MayGoBack: true},
		},
		Letters:  &metrics.Letters{Waiting: 2, Failed: 1, Next: now.AddDate(0, 0, 5)},
		Record:   &metrics.Record{Checked: now.Add(-4 * time.Hour), Broken: true},
		Register: &metrics.Register{Read: now.Add(-2 * time.Hour), Changed: now.AddDate(0, 0, -3), Failed: true, Rows: 1204, Matched: 900, Problems: 5},
	}
}

func gather(t *testing.T, f metrics.Facts) (string, *prometheus.Registry) {
	t.Helper()
	reg := prometheus.NewPedanticRegistry()
	m, err := metrics.New(reg, metrics.Build{Version: "v1.0.0", Commit: "0123456", Go: "go1.26"}, []string{"studio", "vault"}, []string{"done", "busy"},
		func(context.Context) metrics.Facts { return f })
	if err != nil {
		t.Fatal(err)
	}
	m.AuditEnded("studio", "done", 90*time.Second)
	m.Read("studio", 4096)
	m.Paused("studio", true)
	m.Noticed("vault")
	w := httptest.NewRecorder()
	promhttp.HandlerFor(reg, promhttp.HandlerOpts{ErrorHandling: promhttp.HTTPErrorOnError}).ServeHTTP(w, httptest.NewRequest("GET", "/metrics", nil))
	if w.Code != 200 {
		t.Fatal(w.Body)
	}
	return w.Body.String(), reg
}

func TestText(t *testing.T) {
	for name, f := range map[string]metrics.Facts{"full": full(), "no-ledger": {Free: -1, ReloadFailed: true, Stores: []metrics.Store{{Name: "studio", Next: now}}}} {
		t.Run(name, func(t *testing.T) {
			got, reg := gather(t, f)
			file := "testdata/" + name + ".txt"
			if *update {
				if err := os.WriteFile(file, []byte(got), 0o644); err != nil {
					t.Fatal(err)
				}
			}
			want, err := os.ReadFile(file)
			if err != nil {
				t.Fatal(err)
			}
			if diff := cmp.Diff(string(want), got); diff != "" {
				t.Errorf("-want +got (write it anew with -update if that was meant):\n%s", diff)
			}
			problems, err := testutil.GatherAndLint(reg)
			if err != nil || len(problems) > 0 {
				t.Errorf("lint: %v %v", problems, err)
			}
		})
	}
}

// Labels are of closed sets: there is none that could hold a path.
func TestLabels(t *testing.T) {
	_, reg := gather(t, full())
	mfs, err := reg.Gather()
	if err != nil {
		t.Fatal(err)
	}
	seen := 0
	for _, mf := range mfs {
		for _, m := range mf.GetMetric() {
			for _, l := range m.GetLabel() {
				seen++
				if !slices.Contains([]string{"store", "set", "state", "urgency", "kind", "outcome", "version", "commit", "go"}, l.GetName()) {
					t.Errorf("%s has a label %s", mf.GetName(), l.GetName())
				}
				if strings.ContainsAny(l.GetValue(), "/\\") {
					t.Errorf("%s: %s=%q", mf.GetName(), l.GetName(), l.GetValue())
				}
			}
		}
	}
	if seen < 50 {
		t.Errorf("only %d labels were looked at", seen)
	}
}

func TestProcess(t *testing.T) {
	reg := prometheus.NewPedanticRegistry()
	if err := metrics.Process(reg); err != nil {
		t.Fatal(err)
	}
	if n, err := testutil.GatherAndCount(reg, "go_goroutines"); n != 1 || err != nil {
		t.Errorf("%d, %v", n, err)
	}
}

// The monitoring system's own program finds nothing odd in them.
func TestPromtool(t *testing.T) {
	tool, err := exec.LookPath("promtool")
	if err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("no promtool here")
	}
	text, _ := gather(t, full())
	cmd := exec.Command(tool, "check", "metrics")
	cmd.Stdin = strings.NewReader(text)
	if out, err := cmd.CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("%v\n%s", err, out)
	}
}
