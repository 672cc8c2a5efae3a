package deploy_test

import (
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"

	"firmus/deploy"
)

// tool finds an outside program, or skips, or fails where all must be there.
func tool(t *testing.T, name string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("not here: ", name)
	}
	return path
}

func TestRules(t *testing.T) {
	for _, args := range [][]string{{"check", "rules", "--lint-fatal", "alerts.yml"}, {"check", "config", "prometheus.yml"}, {"test", "rules", "alerts_test.yml"}} {
		if out, err := exec.Command(tool(t, "promtool"), args...).CombinedOutput(); err != nil {
			t.Errorf("promtool %v: %v\n%s", args, err, out)
		}
	}
}

// Every alert has a unit test.
func TestEveryRuleIsTested(t *testing.T) {
	rules, err := os.ReadFile("alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	tests, err := os.ReadFile("alerts_test.yml")
	if err != nil {
		t.Fatal(err)
	}
	all := regexp.MustCompile(`- alert: (\w+)`).FindAllStringSubmatch(string(rules), -1)
	if len(all) < 10 {
		t.Fatalf("only %d rules", len(all))
	}
	for _, a := range all {
		// At least once it must fire.
		if !regexp.MustCompile(`alertname: ` + a[1] + `\n\s+exp_alerts:\n\s+- exp_labels`).Match(tests) {
			t.Errorf("no test shows that %s fires", a[1])
		}
	}
}

func TestAlertmanager(t *testing.T) {
	if out, err := exec.Command(tool(t, "amtool"), "check-config", "alertmanager.yml").CombinedOutput(); err != nil {
		t.Errorf("%v\n%s", err, out)
	}
}

// Rules and dashboard name no metric that isn't there.
func TestMetricsExist(t *testing.T) {
	golden, err := os.ReadFile("../cmd/firmus/internal/metrics/testdata/full.txt")
	if err != nil {
		t.Fatal(err)
	}
	var board struct {
		Panels []struct {
			Title   string
			Targets []struct{ Expr string }
		}
	}
	text, err := os.ReadFile("dashboard.json")
	if err != nil {
		t.Fatal(err)
	}
	if err := json.Unmarshal(text, &board); err != nil {
		t.Fatal(err)
	}
	used := map[string]string{}
	names := regexp.MustCompile(`firmus_\w+`)
	for _, p := range board.Panels {
		for _, x := range p.Targets {
			for _, n := range names.FindAllString(x.Expr, -1) {
				used[n] = "dashboard.json: " + p.Title
			}
		}
	}
	rules, err := os.ReadFile("alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	for _, n := range names.FindAllString(string(rules), -1) {
		used[n] = "alerts.yml"
	}
	if len(used) < 20 {
		t.Fatalf("only %d metrics are used: %v", len(used), used)
	}
	for n, where := range used {
		if !strings.Contains(string(golden), "# TYPE "+n+" ") {
			t.Errorf("%s uses %s, which isn't there", where, n)
		}
	}
}

// The sandbox stays as tight as it was: systemd's own score, of which less is better.
const worstExposure = "20" // 2.0

func TestUnit(t *testing.T) {
	analyze := tool(t, "systemd-analyze")
	dir := t.TempDir()
	unit := strings.Replace(deploy.Unit, "/usr/local/bin/firmus", "/bin/true", 1)
	if unit == deploy.Unit {
		t.Fatal("the program isn't where it is said to be")
	}
	path := filepath.Join(dir, "firmus.service")
	if err := os.WriteFile(path, []byte(unit), 0o644); err != nil {
		t.Fatal(err)
	}
	// Bad values are only printed: anything that is said is a failure.
	if out, err := exec.Command(analyze, "--man=no", "--recursive-errors=no", "verify", path).CombinedOutput(); err != nil || len(out) > 0 {
		t.Errorf("verify: %v\n%s", err, out)
	}
	if out, err := exec.Command(analyze, "security", "--offline=true", "--threshold="+worstExposure, path).CombinedOutput(); err != nil {
		t.Errorf("security: %v\n%s", err, out[max(0, len(out)-2000):])
	}
}
