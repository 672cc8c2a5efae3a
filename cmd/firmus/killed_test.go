package main

import (
	"bytes"
	"encoding/json"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// TestKilled: a full audit that is killed after it has committed three fifths of its
// readings is taken up by the next, which reads less than half; a finished one
// begins anew. Nothing that was acknowledged is lost, and the record holds.
func TestKilled(t *testing.T) {
	const files = 3000
	dir := t.TempDir()
	for i := range files {
		b := testdata.Wave(fmt.Sprint(i), 4000)
		p := filepath.Join(dir, "studio", fmt.Sprintf("QV-%04d", i/200), fmt.Sprintf("side_%d.wav", i))
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	cfg := filepath.Join(dir, "firmus.toml")
	if err := os.WriteFile(cfg, []byte("name = \"x\"\nstate = \"state\"\n[set.masters]\nrole = \"master\"\n[store.studio]\nkind = \"disk\"\narrivals = true\nsets = { masters = \"studio\" }\n"), 0o644); err != nil {
		t.Fatal(err)
	}
	full := func() (read, before float64) {
		t.Helper()
		var out, msg bytes.Buffer
		if got := run([]string{"--config", cfg, "--json", "audit", "studio", "--full"}, nil, &out, &msg); got != 0 {
			t.Fatalf("exit %d\n%s%s", got, out.String(), msg.String())
		}
		var doc struct {
			Audits []struct {
				Read   float64 `json:"read"`
				Before float64 `json:"read_before"`
			} `json:"audits"`
		}
		if err := json.Unmarshal(out.Bytes(), &doc); err != nil {
			t.Fatal(err)
		}
		return doc.Audits[0].Read, doc.Audits[0].Before
	}
	var out, msg bytes.Buffer
	if got := run([]string{"--config", cfg, "intake"}, nil, &out, &msg); got != 0 {
		t.Fatalf("intake: exit %d\n%s", got, msg.String())
	}
	c, err := config.Load(cfg)
	if err != nil {
		t.Fatal(err)
	}
	a, err := app.Open(t.Context(), app.Options{Config: c, MustExist: true})
	if err != nil {
		t.Fatal(err)
	}
	defer a.Close()

	child := exec.Command(os.Args[0], "--config", cfg, "audit", "studio", "--full")
	child.Env = append(os.Environ(), beProgram+"=1")
	if err := child.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan error, 1)
	go func() { ended <- child.Wait() }()
	done := int64(0)
	for done < files*3/5 {
		select {
		case err := <-ended:
			t.Fatalf("the audit ended (%v) after %d of %d files, before it could be killed", err, done, files)
		case <-time.After(time.Millisecond):
		}
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error { done, err = x.Audits.ReadByOpen("studio"); return err }); err != nil {
			t.Fatal(err)
		}
	}
	if err := child.Process.Kill(); err != nil {
		t.Fatal(err)
	}
	<-ended
	read, before := full()
	if read >= files/2 || read+before != files || before < float64(done) {
		t.Errorf("after the kill at %d of %d: read %.0f, before %.0f", done, files, read, before)
	}
	if read, before := full(); read != files || before != 0 {
		t.Errorf("a finished audit is taken up: read %.0f, before %.0f", read, before)
	}
	if _, err := a.Ledger.Verify(t.Context()); err != nil {
		t.Error(err)
	}
}
