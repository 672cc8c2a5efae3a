package main

import (
	"bytes"
	"encoding/csv"
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"firmus/testdata"
)

// An item whose files have names that a list, XML or a spreadsheet program could trip over is
// handed on whole. Where there is no room for it nothing is left behind, and no copy is
// blamed for it.
func TestAnItemIsHandedOnWhateverItsFilesAreCalled(t *testing.T) {
	t.Parallel()
	dir := t.TempDir()
	names := []string{"50% <\"&'>.wav", "Nu\u0301n\u0303ez.wav", "two\nlines\x01.wav", "=1+1.wav", "]]>.wav"}
	for _, store := range []string{"studio", "vault"} {
		for _, n := range names {
			p := filepath.Join(dir, store, "QV-0107", n)
			if err := errors.Join(os.MkdirAll(filepath.Dir(p), 0o755), os.WriteFile(p, testdata.Wave(n, 60_000), 0o644)); err != nil {
				t.Fatal(err)
			}
		}
	}
	cfg := filepath.Join(dir, "firmus.toml")
	text := `name = "x"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "studio" }
[store.vault]
kind = "disk"
own_drive = true
sets = { masters = "vault" }
[register]
file = "register.csv"
columns = { item = "Number", title = "Title" }
`
	title := `=HYPERLINK("http://x","a")`
	if err := errors.Join(os.WriteFile(cfg, []byte(text), 0o644), os.WriteFile(filepath.Join(dir, "register.csv"), []byte("Number,Title,\"-cmd\nsecond\"\nQV-0107,\""+strings.ReplaceAll(title, `"`, `""`)+"\",@x\n"), 0o644)); err != nil {
		t.Fatal(err)
	}
	firmus := func(want int, args ...string) string {
		t.Helper()
		var out, msg bytes.Buffer
		if got := run(append([]string{"--config", cfg}, args...), nil, &out, &msg); got != want {
			t.Fatalf("%q: exit %d\n%s%s", args, got, out.String(), msg.String())
		}
		return msg.String()
	}
	firmus(0, "intake")
	firmus(0, "audit")
	firmus(0, "register", "read")
	dest := filepath.Join(dir, "sent")
	firmus(0, "bag", "item", "QV-0107", dest)
	firmus(0, "bag", "verify", dest)
	premis := filepath.Join(dest, "metadata", "premis.xml")
	if at := os.Getenv("FIRMUS_STANDARDS"); at != "" {
		if out, err := exec.Command("xmllint", "--noout", "--nonet", "--schema", filepath.Join(at, "premis-v3-0.xsd"), premis).CombinedOutput(); err != nil {
			t.Errorf("xmllint: %v\n%s", err, out)
		}
	}
	b, err := os.ReadFile(premis)
	if err != nil {
		t.Fatal(err)
	}
	for _, place := range []string{"data/masters/QV-0107/50%25%20%3C%22&amp;%27%3E.wav", "data/masters/QV-0107/Nu%CC%81n%CC%83ez.wav", "data/masters/QV-0107/two%0Alines%01.wav"} {
		if !strings.Contains(strings.ReplaceAll(strings.ReplaceAll(string(b), "&#39;", "'"), "'", "%27"), "<contentLocationValue>"+place+"<") {
			t.Errorf("%s stands nowhere", place)
		}
	}
	f, err := os.Open(filepath.Join(dest, "metadata", "register.csv"))
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	rows, err := csv.NewReader(f).ReadAll()
	if err != nil || len(rows) != 2 || rows[1][1] != "'"+title || rows[1][2] != "'@x" || rows[0][2] != "'-cmd second" {
		t.Errorf("%q %v", rows, err)
	}

	full := filepath.Join(dir, "full")
	if err := os.Mkdir(full, 0o777); err != nil {
		t.Fatal(err)
	}
	if out, err := exec.Command("mount", "-t", "tmpfs", "-o", "size=128k", "tmpfs", full).CombinedOutput(); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatalf("%v\n%s", err, out)
		}
		t.Skip("a small file system can't be mounted here")
	}
	defer exec.Command("umount", full).Run()
	if msg := firmus(3, "bag", "item", "QV-0107", filepath.Join(full, "sent")); !strings.Contains(msg, "the drive is full") || strings.Contains(msg, "intact copy") {
		t.Error(msg)
	}
	if left, err := os.ReadDir(full); err != nil || len(left) > 0 {
		t.Errorf("%v lies there, %v", left, err)
	}
	firmus(0, "audit")
}
