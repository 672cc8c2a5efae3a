package sheets_test

import (
	"bytes"
	"os"
	"os/exec"
	"path/filepath"
	"regexp"
	"strings"
	"testing"
)

// TestFullestSheetPrintsOnOnePage has a browser print the check sheet with the most on it,
// on both papers. Without one (Debian: chromium) nobody can say how a page prints.
func TestFullestSheetPrintsOnOnePage(t *testing.T) {
	t.Parallel()
	browser, err := exec.LookPath("chromium")
	if err != nil {
		t.Skip("no browser is here")
	}
	text, err := os.ReadFile("testdata/check-altered.html")
	if err != nil {
		t.Fatal(err)
	}
	for _, paper := range []string{"A4", "letter"} {
		dir := t.TempDir()
		page, pdf := filepath.Join(dir, "sheet.html"), filepath.Join(dir, "sheet.pdf")
		if err := os.WriteFile(page, []byte(strings.Replace(string(text), "@page {", "@page { size: "+paper+";", 1)), 0o600); err != nil {
			t.Fatal(err)
		}
		cmd := exec.CommandContext(t.Context(), browser, "--headless", "--no-sandbox", "--disable-gpu", "--disable-quic", "--no-first-run",
			"--disable-background-networking", "--disable-component-update", "--disable-sync", "--user-data-dir="+filepath.Join(dir, "profile"),
			"--no-pdf-header-footer", "--print-to-pdf="+pdf, "file://"+page)
		if said, err := cmd.CombinedOutput(); err != nil {
			t.Fatalf("%v\n%s", err, said)
		}
		b, err := os.ReadFile(pdf)
		if err != nil {
			t.Fatal(err)
		}
		if n := len(regexp.MustCompile(`/Type */Page\b[^s]`).FindAll(bytes.ReplaceAll(b, []byte("\n"), []byte(" ")), -1)); n != 1 {
			t.Errorf("on %s it takes %d pages", paper, n)
		}
	}
}
