package app_test

import (
	"fmt"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
	"firmus/replicas/testing/drivetest"
)

// TestAWithdrawnTokenNeverMakesAStoreAway: a test server that wants tokens is audited with
// its own key, and a token that is withdrawn in the midst of an audit is replaced.
func TestAWithdrawnTokenNeverMakesAStoreAway(t *testing.T) {
	t.Parallel()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(s.Close)
	key, err := s.Key("auditor@quillmere.example", "quillmere")
	if err != nil {
		t.Fatal(err)
	}
	file := filepath.Join(t.TempDir(), "test-key.json")
	if err := os.WriteFile(file, key, 0o600); err != nil {
		t.Fatal(err)
	}
	s.Lock()
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	c := &cloudWorld{server: s, folder: folder, masters: s.AddFolder(folder, "masters")}
	c.world = newWorld(t, worldConfig+fmt.Sprintf(`
[store.cloud]
kind = "cloud"
service = "drive"
folder = %q
sets = ["masters"]
endpoint = %q
tokens = %q
credentials = %q
`, folder, s.Endpoint(), s.TokenURL(), file))
	item := s.AddFolder(c.masters, "QV-0107")
	c.inCloud(item, "QV-0107/A.wav")
	c.begins()
	for n := range 6 {
		s.Reset()
		s.Inject(drivetest.Fault{Skip: n, Hook: func() { s.KillTokens("", "") }})
		if r := c.audit(acts.AuditOrder{Stores: []string{"cloud"}, Full: true})["cloud"]; len(r.Away) != 0 || r.Exit() != 0 || r.Read != 1 {
			t.Errorf("withdrawn at call %d: %v, %v", n, r.Away, r.Trouble)
		}
		c.now = c.now.Add(24 * time.Hour)
	}
}

// TestAReportIsNeverCountedAsAReading: the statement of holdings tells in how many stores
// files were shown, and in how many they were read.
func TestAReportIsNeverCountedAsAReading(t *testing.T) {
	t.Parallel()
	c := newCloudWorld(t)
	folder := c.server.AddFolder(c.masters, "QV-0107")
	id := c.inCloud(folder, "QV-0107/A.wav")
	c.copy("studio/masters/QV-0107/A.wav", "vault/masters/QV-0107/A.wav")
	c.begins()
	counts := func() string {
		a := c.open()
		defer a.Close()
		h, err := statements.MakeHoldings(t.Context(), a.Ledger, "Quillmere", a.Acts.Rules, c.now)
		if err != nil {
			t.Fatal(err)
		}
		var text strings.Builder
		h.Text(&text)
		if apart := strings.Contains(text.String(), "by readings alone"); apart != slices.ContainsFunc(h.Copies, func(c statements.CopiesRow) bool { return c.Read != c.Files }) {
			t.Errorf("told apart: %t\n%s", apart, text.String())
		}
		var rows []string
		for _, c := range h.Copies {
			rows = append(rows, fmt.Sprintf("%d stores: %d shown, %d read", c.Stores, c.Files, c.Read))
		}
		return strings.Join(rows, "; ")
	}
	if got := counts(); got != "2 stores: 0 shown, 1 read; 3 stores: 1 shown, 0 read" {
		t.Errorf("reported: %s", got)
	}
	full := acts.AuditOrder{Stores: []string{"cloud"}, Full: true}
	c.audit(full)
	if got := counts(); got != "3 stores: 1 shown, 1 read" {
		t.Errorf("read: %s", got)
	}
	// Exchanged, and read as such: it counts nowhere.
	c.server.Write(id, bytesOf("something else", 60_000))
	c.now = c.now.Add(time.Hour)
	if r := c.audit(full)["cloud"]; r.States[fixity.Altered] != 1 {
		t.Fatal(r.States)
	}
	if got := counts(); got != "2 stores: 1 shown, 1 read" {
		t.Errorf("altered: %s", got)
	}
}
