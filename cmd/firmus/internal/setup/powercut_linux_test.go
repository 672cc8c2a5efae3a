package setup_test

import (
	"os"
	"os/exec"
	"path/filepath"
	"testing"

	"firmus/cmd/firmus/testing/powercut"
)

// A configuration that replaces another, and the key that it names: wherever the power goes,
// the old one stands as it was, or the new one with its whole key; and once the new one stands
// a whole copy of the old one is kept.
func TestPowerCutWhileSettingUp(t *testing.T) {
	if _, err := exec.LookPath("strace"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("strace isn't there")
	}
	t.Parallel()
	dir := t.TempDir()
	path := filepath.Join(dir, "firmus.toml")
	if err := os.WriteFile(path, []byte(theirs), 0o640); err != nil {
		t.Fatal(err)
	}
	c := exec.Command(os.Args[0], "-test.run", "^TestKilledWhileSettingUp$")
	c.Env = append(os.Environ(), killedIn+"="+dir)
	trace, err := powercut.Record(dir, c)
	if err != nil {
		t.Fatal(err)
	}
	want := inAFolder(t, dir).Text()
	states, all := trace.States(1, 1000, func(string) bool { return false })
	olds, news := 0, 0
	for _, s := range states {
		if err := s.Lay(); err != nil {
			t.Fatal(err)
		}
		text, err := os.ReadFile(path)
		if err != nil {
			t.Fatalf("%v: %s", err, s)
		}
		kept := 0
		for _, k := range glob(t, path+".*") {
			if b, err := os.ReadFile(k); err == nil && string(b) == theirs {
				kept++
			} else {
				t.Errorf("%s is no whole copy: %q %v", k, b, err)
			}
		}
		switch {
		case string(text) == theirs && !s.Ended:
			olds++
		case string(text) == want:
			news++
			if key, err := os.ReadFile(filepath.Join(dir, "drive-key.json")); err != nil || string(key) != theKey || kept != 1 {
				t.Errorf("the key is %q, %v; the old configuration is kept %d times", key, err, kept)
			}
		default:
			t.Errorf("it is neither the old nor the new one:\n%s\nwant\n%s", text, want)
		}
		if t.Failed() {
			t.Fatal(s)
		}
	}
	if len(states) != all || olds < 5 || news < 2 {
		t.Errorf("%d states of %d: %d times the old one, %d times the new", len(states), all, olds, news)
	}
}
