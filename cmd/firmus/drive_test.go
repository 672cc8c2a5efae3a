package main

import (
	"bytes"
	"encoding/json"
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"firmus/testdata"
)

// TestReadOfTheDrive: on a loop device whose backing file is changed under a cached
// file, a full audit sees the change and one that allows the cache says that it may
// not have.
func TestReadOfTheDrive(t *testing.T) {
	need := func(reason string) {
		t.Helper()
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(reason)
		}
		t.Skip(reason)
	}
	if os.Geteuid() != 0 {
		need("mounting needs root")
	}
	for _, p := range []string{"mkfs.ext4", "mount", "umount"} {
		if _, err := exec.LookPath(p); err != nil {
			need(p + " is not here")
		}
	}
	dir := t.TempDir()
	image, vault := filepath.Join(dir, "drive.img"), filepath.Join(dir, "vault")
	sh := func(args ...string) {
		t.Helper()
		if out, err := exec.Command(args[0], args[1:]...).CombinedOutput(); err != nil {
			need("can't make a loop device: " + args[0] + ": " + string(out))
		}
	}
	if err := os.WriteFile(image, make([]byte, 16<<20), 0o600); err != nil {
		t.Fatal(err)
	}
	sh("mkfs.ext4", "-q", image)
	if err := os.MkdirAll(vault, 0o755); err != nil {
		t.Fatal(err)
	}
	sh("mount", "-o", "loop", image, vault)
	t.Cleanup(func() { exec.Command("umount", vault).Run() })

	text := testdata.Wave("cantus firmus", 280_000)
	copy(text[100_000:], "the one place that will rot")
	for _, p := range []string{"studio/QV-0107/a.wav", "vault/QV-0107/a.wav"} {
		p = filepath.Join(dir, p)
		if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(p, text, 0o644); err != nil {
			t.Fatal(err)
		}
	}
	config := filepath.Join(dir, "firmus.toml")
	if err := os.WriteFile(config, []byte(`name = "x"
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
`), 0o644); err != nil {
		t.Fatal(err)
	}
	firmus := func(want int, args ...string) map[string]any {
		t.Helper()
		var out, msg bytes.Buffer
		if got := run(append([]string{"--config", config, "--json"}, args...), nil, &out, &msg); got != want {
			t.Fatalf("%v: exit %d, want %d\n%s%s", args, got, want, out.String(), msg.String())
		}
		var doc map[string]any
		if err := json.Unmarshal(out.Bytes(), &doc); err != nil {
			t.Fatal(err)
		}
		return doc
	}
	firmus(0, "intake")
	firmus(0, "audit")
	sh("sync")
	if _, err := os.ReadFile(filepath.Join(vault, "QV-0107/a.wav")); err != nil { // now it is cached
		t.Fatal(err)
	}
	rot(t, image, []byte("the one place that will rot"))

	allowed := firmus(0, "audit", "vault", "--full", "--cache", "allow")
	if c := allowed["audits"].([]any)[0].(map[string]any)["cache"]; c != "allowed" {
		t.Errorf("evidence says cache %v, want allowed", c)
	}
	full := firmus(1, "audit", "vault", "--full")
	fs := full["audits"].([]any)[0].(map[string]any)["findings"].([]any)
	if len(fs) != 1 || fs[0].(map[string]any)["kind"] != "altered" || fs[0].(map[string]any)["anatomy"] != "flipped" {
		t.Errorf("findings: %v", fs)
	}
}

// rot turns a bit in the backing file of a drive, past its file system.
func rot(t *testing.T, image string, at []byte) {
	t.Helper()
	b, err := os.ReadFile(image)
	if err != nil {
		t.Fatal(err)
	}
	off := bytes.Index(b, at)
	if off < 0 || bytes.Contains(b[off+1:], at) {
		t.Fatal("the place is not found once in the image")
	}
	f, err := os.OpenFile(image, os.O_RDWR, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer f.Close()
	if _, err := f.WriteAt([]byte{at[0] ^ 1}, int64(off)); err != nil {
		t.Fatal(err)
	}
	if err := f.Sync(); err != nil {
		t.Fatal(err)
	}
}
