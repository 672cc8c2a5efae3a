package setup_test

import (
	"errors"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/setup"
)

const (
	killedIn = "FIRMUS_TEST_SETUP_IN" // the folder in which a child of the test sets up
	theirs   = "name = \"theirs\" # and what they wrote\n"
	theKey   = `{"client_email": "auditor@quillmere.example", "private_key": "secret"}`
)

// inAFolder is a draft whose answers all lie in a folder.
func inAFolder(t *testing.T, dir string) *setup.Draft {
	t.Helper()
	d := answered(t, filepath.Join(dir, "firmus.toml"), map[string]string{setup.Masters: "/a/masters", setup.Access: setup.None, setup.Second: setup.None, setup.CloudFolder: "1aBcD"})
	d.Keep(setup.CloudKey, []byte(theKey))
	return d
}

// A configuration that replaces another, and the key that it names: whenever the program is
// killed, the old one stands as it was, or the new one with its whole key. strace kills it
// at its k-th call that writes, for every k.
func TestKilledWhileSettingUp(t *testing.T) {
	if dir := os.Getenv(killedIn); dir != "" {
		runtime.LockOSThread() // strace counts the calls of a thread
		if _, err := inAFolder(t, dir).Replace(guarded.Of(nil)); err != nil {
			t.Fatal(err)
		}
		return
	}
	if _, err := exec.LookPath("strace"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") != "" {
			t.Fatal(err)
		}
		t.Skip("strace isn't there")
	}
	t.Parallel()
	const calls = "openat,close,fsync,chmod,fchmod,fchmodat,rename,renameat,renameat2,link,linkat,unlinkat,write,ftruncate"
	olds, news, killed := 0, 0, 0
	for k := 1; ; k++ {
		if k > 200 {
			t.Fatal("it is killed again and again")
		}
		dir := t.TempDir()
		path := filepath.Join(dir, "firmus.toml")
		if err := os.WriteFile(path, []byte(theirs), 0o640); err != nil {
			t.Fatal(err)
		}
		c := exec.Command("strace", "-f", "-qq", "-o", "/dev/null", "-e", "trace="+calls, "-e", fmt.Sprintf("inject=%s:signal=KILL:when=%d", calls, k),
			os.Args[0], "-test.run", "^TestKilledWhileSettingUp$")
		c.Env = append(os.Environ(), killedIn+"="+dir)
		out, err := c.CombinedOutput()
		var ended *exec.ExitError
		if err != nil && (!errors.As(err, &ended) || ended.ExitCode() > 0 && !strings.Contains(ended.String(), "signal")) {
			t.Fatalf("call %d: %v %s", k, err, out)
		}
		text, rerr := os.ReadFile(path)
		if rerr != nil {
			t.Fatalf("call %d: %v", k, rerr)
		}
		if string(text) == theirs {
			olds++
		} else {
			news++
			// As it was meant: what the draft says, with the name that its key got.
			if want := inAFolder(t, dir).Text(); string(text) != want {
				t.Errorf("call %d: it is neither the old nor the new one:\n%s\nwant\n%s", k, text, want)
			}
			if key, err := os.ReadFile(filepath.Join(dir, "drive-key.json")); err != nil || string(key) != theKey {
				t.Errorf("call %d: the key is %q, %v", k, key, err)
			}
		}
		for _, kept := range glob(t, path+".*") {
			if b, err := os.ReadFile(kept); err != nil || string(b) != theirs {
				t.Errorf("call %d: %s is no whole copy: %q %v", k, kept, b, err)
			}
		}
		if err == nil {
			break
		}
		killed++
	}
	if killed < 5 || olds < 3 || news < 1 {
		t.Errorf("killed %d times: %d times the old one, %d times the new", killed, olds, news)
	}
}

func glob(t *testing.T, pattern string) []string {
	t.Helper()
	all, err := filepath.Glob(pattern)
	if err != nil {
		t.Fatal(err)
	}
	return all
}
