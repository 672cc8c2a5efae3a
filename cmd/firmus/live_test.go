package main

import (
	"bytes"
	"context"
	"encoding/json"
	"fmt"
	"io"
	"net/http"
	"net/http/httptest"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"firmus/testdata"
)

// program finds an outside program, or skips, or fails where all must be there.
func program(t *testing.T, name string) string {
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

// started runs a program until the test ends, and then stops it in order.
func started(t *testing.T, dir, name string, args ...string) {
	t.Helper()
	var out lockedBuffer
	cmd := exec.Command(name, args...)
	cmd.Dir, cmd.Stdout, cmd.Stderr = dir, &out, &out
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() {
		_ = cmd.Process.Signal(syscall.SIGTERM)
		end := time.AfterFunc(20*time.Second, func() { _ = cmd.Process.Kill() })
		_ = cmd.Wait()
		end.Stop()
		if t.Failed() {
			text := out.String()
			t.Logf("%s said:\n%s", filepath.Base(name), text[max(0, len(text)-4000):])
		}
	})

}

type lockedBuffer struct {
	sync.Mutex
	bytes.Buffer
}

func (b *lockedBuffer) Write(p []byte) (int, error) {
	b.Lock()
	defer b.Unlock()
	return b.Buffer.Write(p)
}

// TestMonitored: a real monitoring system scrapes the daemon; on a planted fault the
// shipped rule fires, and the alert arrives where it is to.
func TestMonitored(t *testing.T) {
	t.Parallel()
	prometheus, alertmanager := program(t, "prometheus"), program(t, "prometheus-alertmanager")
	firmus := program(t, "firmus") // this test's own binary
	dir := t.TempDir()
	rules, err := filepath.Abs("../../deploy/alerts.yml")
	if err != nil {
		t.Fatal(err)
	}
	file := func(name, text string) {
		t.Helper()
		path := filepath.Join(dir, name)
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
			t.Fatal(err)
		}
	}
	alerts := make(chan string, 100)
	hook := httptest.NewServer(http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) {
		var got struct {
			Alerts []struct {
				Status string
				Labels map[string]string
			}
		}
		b, _ := io.ReadAll(r.Body)
		if json.Unmarshal(b, &got) == nil {
			for _, a := range got.Alerts {
				alerts <- a.Status + " " + a.Labels["alertname"] + " " + a.Labels["store"]
			}
		}
	}))
	t.Cleanup(hook.Close)
	ours, theirs, manager := freePort(t), freePort(t), freePort(t)
	file("firmus.toml", fmt.Sprintf(studioConfig+"[web]\nlisten = \"127.0.0.1:%s\"\n", ours))
	file("studio/QV-0107/QV-0107_A.wav", string(testdata.Wave("a take", 140_000)))
	file("studio/QV-0108/QV-0108_A.wav", string(testdata.Wave("another", 160_000)))
	file("prometheus.yml", fmt.Sprintf("global: {scrape_interval: 1s, evaluation_interval: 1s}\nrule_files: [%q]\nalerting: {alertmanagers: [{static_configs: [{targets: ['127.0.0.1:%s']}]}]}\nscrape_configs: [{job_name: firmus, static_configs: [{targets: ['127.0.0.1:%s']}]}]\n", rules, manager, ours))
	file("alertmanager.yml", fmt.Sprintf("route: {receiver: hook, group_by: [alertname, store], group_wait: 0s, group_interval: 1s}\nreceivers: [{name: hook, webhook_configs: [{url: %q, send_resolved: true}]}]\n", hook.URL))
	for _, args := range [][]string{{"intake"}, {"audit"}} {
		cmd := exec.Command(firmus, args...)
		cmd.Dir = dir
		if out, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v: %v\n%s", args, err, out)
		}
	}
	started(t, dir, firmus, "serve")
	started(t, dir, alertmanager, "--config.file=alertmanager.yml", "--storage.path=am", "--web.listen-address=127.0.0.1:"+manager, "--cluster.listen-address=")
	started(t, dir, prometheus, "--config.file=prometheus.yml", "--storage.tsdb.path=tsdb", "--web.listen-address=127.0.0.1:"+theirs)

	ctx, cancel := context.WithTimeout(t.Context(), 90*time.Second)
	defer cancel()
	ask := func(query string) string {
		req, err := http.NewRequestWithContext(ctx, "GET", "http://127.0.0.1:"+theirs+"/api/v1/query?query="+query, nil)
		if err != nil {
			t.Fatal(err)
		}
		res, err := http.DefaultClient.Do(req)
		if err != nil {
			return err.Error()
		}
		defer res.Body.Close()
		b, _ := io.ReadAll(res.Body)
		return string(b)
	}
	until := func(what, query, want string) {
		t.Helper()
		got := ""
		for ctx.Err() == nil {
			if got = ask(query); strings.Contains(got, want) {
				return
			}
			time.Sleep(200 * time.Millisecond)
		}
		t.Fatalf("%s: never %s in %s", what, want, got)
	}
	until("it is scraped", "firmus_files", `"set":"masters"`)
	until("and up", "up", `"1"`)
	if got := ask("ALERTS{alertname=\"FirmusNoneIntact\"}"); !strings.Contains(got, `"result":[]`) {
		t.Fatalf("before anything was damaged: %s", got)
	}
	next := func(want string) {
		t.Helper()
		for {
			select {
			case got := <-alerts:
				t.Log(got)
				if got == want {
					return
				}
			case <-ctx.Done():
				t.Fatalf("never told: %s; the rule says %s", want, ask("ALERTS"))
			}
		}
	}
	planted := time.Now()
	lost := filepath.Join(dir, "studio/QV-0107/QV-0107_A.wav")
	if err := os.Rename(lost, filepath.Join(dir, "elsewhere")); err != nil {
		t.Fatal(err)
	}
	next("firing FirmusNoneIntact studio")
	t.Logf("from the fault to the alert: %s", time.Since(planted).Round(100*time.Millisecond))
	if err := os.Rename(filepath.Join(dir, "elsewhere"), lost); err != nil {
		t.Fatal(err)
	}
	next("resolved FirmusNoneIntact studio")
}
