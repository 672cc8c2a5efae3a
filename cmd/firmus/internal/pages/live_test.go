package pages_test

import (
	"bufio"
	"encoding/json"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"
)

// slowly is a world in which reading the vault takes a quarter of a minute.
func slowly(t *testing.T) *world {
	w := newWorld(t, strings.Replace(worldConfig, "own_drive = true", "own_drive = true\nrate = \"40kB/s\"", 1))
	for _, n := range []string{"A", "B", "C"} {
		w.put("masters/QV-0107/QV-0107_"+n+".wav", n, "studio")
	}
	w.intake()
	for _, n := range []string{"A", "B", "C"} {
		w.put("masters/QV-0107/QV-0107_"+n+".wav", n, "vault")
	}
	return w
}

// What takes long is shown while it goes on, with and without script, and can be stopped.
func TestLive(t *testing.T) {
	w := slowly(t)
	b := w.entered()
	r := b.post("/work/audit", "store", "vault", "full", "yes", "by", "Ada")
	at := r.header.Get("Location")
	if r.code != http.StatusSeeOther || !strings.HasPrefix(at, "/work/jobs/") {
		t.Fatalf("%d to %q", r.code, at)
	}
	page := b.get(at)
	if !page.says("It goes on if you close this page") || !page.says("Then: what differs stands under Findings.") || !strings.Contains(page.text, `<noscript><meta http-equiv="refresh"`) || !strings.Contains(page.text, at+"/events") {
		t.Fatalf("the page of what goes on: %s", page.text)
	}
	if today := b.get("/"); !strings.Contains(today.text, at) {
		t.Error("Today doesn't show what goes on")
	}
	res, err := b.c.Do(b.request("GET", at+"/events"))
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	if got := res.Header.Get("Content-Type"); got != "text/event-stream" {
		t.Errorf("the stream is %q", got)
	}
	events, stopped := 0, false
	lines := bufio.NewScanner(res.Body)
	for lines.Scan() {
		text, ok := strings.CutPrefix(lines.Text(), "data: ")
		if !ok {
			continue
		}
		var now struct {
			Files, Bytes, Rate, File string
			Over                     bool
		}
		if err := json.Unmarshal([]byte(text), &now); err != nil {
			t.Fatal(err)
		}
		events++
		if events == 2 && !stopped {
			stopped = true
			if r := b.post(at + "/stop"); r.code != http.StatusSeeOther {
				t.Errorf("stop: %d", r.code)
			}
		}
		if now.Over {
			break
		}
	}
	if events < 2 {
		t.Errorf("%d events came", events)
	}
	if r := b.get(at); !r.says("It was stopped") && !r.says("could not be finished") || strings.Contains(r.text, `id="live"`) {
		t.Errorf("after it was stopped: %s", r.text)
	}
	if r := b.get("/work/jobs/nothing"); r.code != http.StatusNotFound {
		t.Errorf("%d", r.code)
	}
}

// What a plain audit is going to read is known before it begins, so that it says how much is left.
func TestWhatIsDueIsExpected(t *testing.T) {
	cfg := strings.Replace(worldConfig, "own_drive = true", "own_drive = true\nread_within = \"30d\"", 1)
	w := newWorld(t, cfg)
	for _, n := range []string{"A", "B", "C"} {
		w.put("masters/QV-0107/QV-0107_"+n+".wav", n, "studio", "vault")
	}
	w.intake()
	if err := w.app.Close(); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(filepath.Join(w.dir, "firmus.toml"), []byte(strings.Replace(cfg, "own_drive = true", "own_drive = true\nrate = \"40kB/s\"", 1)), 0o644); err != nil {
		t.Fatal(err)
	}
	w = w.restarted() // only from now on reading takes long
	w.pass(60 * 24 * time.Hour)
	b := w.entered()
	at := b.post("/work/audit", "store", "vault", "by", "Ada").header.Get("Location")
	if page := b.get(at); !page.says("of 600 kB") {
		t.Errorf("how much there is: %s", page.text)
	}
	b.post(at + "/stop")
}

// The pages go on while something long does.
func TestPagesGoOn(t *testing.T) {
	w := slowly(t)
	b := w.entered()
	at := b.post("/work/audit", "store", "vault", "full", "yes", "by", "Ada").header.Get("Location")
	began := time.Now()
	for range 20 {
		if r := b.get("/findings"); r.code != 200 {
			t.Fatal(r.code)
		}
	}
	if took := time.Since(began); took > 5*time.Second {
		t.Errorf("20 pages took %s", took)
	}
	b.post(at + "/stop")
}
