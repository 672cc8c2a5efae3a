package disk_test

import (
	"context"
	"errors"
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
)

const oldText, newText = "the old bytes", "the new ones, which are more"

// writeNew writes newText in three pieces.
func writeNew(w io.Writer) error {
	for _, s := range []string{newText[:5], newText[5:20], newText[20:]} {
		if _, err := io.WriteString(w, s); err != nil {
			return err
		}
	}
	return nil
}

// content is what lies at path, "" if nothing does.
func content(t *testing.T, d *disk.Dir, path string) string {
	t.Helper()
	b, err := os.ReadFile(filepath.Join(d.Root(), filepath.FromSlash(path)))
	if err != nil && !os.IsNotExist(err) {
		t.Fatal(err)
	}
	return string(b)
}

// leftovers are our own names below the root.
func leftovers(t *testing.T, d *disk.Dir) (names []string) {
	t.Helper()
	check(t, filepath.WalkDir(d.Root(), func(p string, e os.DirEntry, err error) error {
		if strings.HasPrefix(e.Name(), ".firmus") {
			names = append(names, p)
		}
		return err
	}))
	return names
}

// TestReplaceOrder: the old name goes only when the new bytes are on the medium.
func TestReplaceOrder(t *testing.T) {
	for _, c := range []struct {
		name, path string
		verify     func(fixity.Reader) error
		want       string
	}{
		{"in place of a file", "QV-0107/a.wav", nil, "create write write write attributes sync close rename sync-folder"},
		{"where nothing is", "QV-0107/b.wav", nil, "create write write write sync close rename sync-folder"},
		{"in a new folder", "QV-0108/c/b.wav", nil, "mkdir sync-folder mkdir sync-folder create write write write sync close rename sync-folder"},
		{"read back", "QV-0107/a.wav", func(fixity.Reader) error { return nil }, "create write write write attributes sync close verify rename sync-folder"},
	} {
		t.Run(c.name, func(t *testing.T) {
			d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": oldText})
			var steps []string
			before := content(t, d, c.path)
			d.SetStep(func(op string, do func() error) error {
				steps = append(steps, op)
				if now := content(t, d, c.path); op != "sync-folder" && now != before {
					t.Errorf("before %s it holds %q", op, now)
				}
				return do()
			})
			check(t, d.ReplaceVerified(context.Background(), c.path, writeNew, c.verify))
			if got := strings.Join(steps, " "); got != c.want {
				t.Errorf("steps %s\nwant  %s", got, c.want)
			}
			if got := content(t, d, c.path); got != newText {
				t.Errorf("it holds %q", got)
			}
			if left := leftovers(t, d); left != nil {
				t.Errorf("left: %q", left)
			}
		})
	}
}

// TestReplaceFailsAtEachStep: a full medium, or anything else, at step k leaves
// the old file and nothing beside it, for every k.
func TestReplaceFailsAtEachStep(t *testing.T) {
	boom := errors.New("no space left")
	for k := 0; ; k++ {
		d := open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": oldText})
		n, failed := 0, ""
		d.SetStep(func(op string, do func() error) error {
			if n++; n-1 == k {
				failed = op
				return boom
			}
			return do()
		})
		err := d.ReplaceVerified(context.Background(), "QV-0107/a.wav", writeNew, func(fixity.Reader) error { return nil })
		if failed == "" {
			if err != nil || k < 8 {
				t.Errorf("after %d steps: %v", k, err)
			}
			return
		}
		want := oldText
		if failed == "sync-folder" {
			want = newText
		}
		if got := content(t, d, "QV-0107/a.wav"); !errors.Is(err, boom) || got != want {
			t.Errorf("%s failed: it holds %q, %v", failed, got, err)
		}
		if left := leftovers(t, d); left != nil {
			t.Errorf("%s failed: left %q", failed, left)
		}
	}
}

const (
	crashAt   = "DISK_CRASH_AT"
	crashRoot = "DISK_CRASH_ROOT"
	crashJob  = "DISK_CRASH_JOB"
	crashed   = 7 // exit status of a child that stopped in the middle
)

// crashJobs are what a child may be at when it stops.
var crashJobs = map[string]func(*testing.T, *disk.Dir) error{
	"replace": func(_ *testing.T, d *disk.Dir) error {
		return d.Replace(context.Background(), "QV-0107/a.wav", writeNew)
	},
	"put back": func(t *testing.T, d *disk.Dir) error {
		_, err := d.PutBack(context.Background(), puttingBack(t, d), writeNew, readBack)
		return err
	},
}

// TestCrashChild does a job and stops dead at one step; only crashes asks.
func TestCrashChild(t *testing.T) {
	root := os.Getenv(crashRoot)
	if root == "" {
		t.Skip("run by other tests")
	}
	at, err := strconv.Atoi(os.Getenv(crashAt))
	check(t, err)
	d, err := disk.Open(root, disk.Options{})
	check(t, err)
	n := 0
	d.SetStep(func(_ string, do func() error) error {
		if n++; n-1 == at {
			os.Exit(crashed)
		}
		return do()
	})
	check(t, crashJobs[os.Getenv(crashJob)](t, d))
}

// crashes stops a child that does a job at each of its steps, each time in a new root, and
// has what that left looked at.
func crashes(t *testing.T, job string, fresh func() *disk.Dir, look func(step int, d *disk.Dir)) {
	t.Helper()
	for k := 0; ; k++ {
		d := fresh()
		cmd := exec.Command(os.Args[0], "-test.run=^TestCrashChild$")
		cmd.Env = append(os.Environ(), crashRoot+"="+d.Root(), crashAt+"="+strconv.Itoa(k), crashJob+"="+job)
		out, err := cmd.CombinedOutput()
		status := cmd.ProcessState.ExitCode()
		if status != 0 && status != crashed {
			t.Fatalf("step %d: %v\n%s", k, err, out)
		}
		look(k, d)
		if status == 0 {
			return
		}
	}
}

// TestReplaceCrash kills a process at each step of a replacement: the file is the
// old or the new one, whole; listings show nothing else; the next replacement
// removes what was left.
func TestReplaceCrash(t *testing.T) {
	seen := map[string]int{}
	crashes(t, "replace", func() *disk.Dir { return open(t, disk.Options{}, map[string]string{"QV-0107/a.wav": oldText}) }, func(k int, d *disk.Dir) {
		got := content(t, d, "QV-0107/a.wav")
		if seen[got]++; got != oldText && got != newText {
			t.Errorf("stopped at step %d it holds %q", k, got)
		}
		if paths, err := list(d, "QV-0107"); err != nil || !slices.Equal(paths, []string{"QV-0107/a.wav"}) {
			t.Errorf("stopped at step %d: listed %q, %v", k, paths, err)
		}
		if left := leftovers(t, d); len(left) > 0 {
			seen["left"]++
		}
		check(t, d.Replace(context.Background(), "QV-0107/a.wav", writeNew))
		if left := leftovers(t, d); left != nil {
			t.Errorf("stopped at step %d, then replaced: left %q", k, left)
		}
	})
	if seen[oldText] < 5 || seen[newText] < 2 || seen["left"] < 4 {
		t.Errorf("crashes at too few places: %v", seen)
	}
}

func TestReplaceWriterFails(t *testing.T) {
	boom := errors.New("boom")
	d := open(t, disk.Options{}, map[string]string{"a.wav": oldText})
	err := d.Replace(context.Background(), "a.wav", func(w io.Writer) error {
		if _, err := io.WriteString(w, newText); err != nil {
			return err
		}
		return boom
	})
	if got := content(t, d, "a.wav"); !errors.Is(err, boom) || got != oldText || leftovers(t, d) != nil {
		t.Errorf("%q, %v, %q", got, err, leftovers(t, d))
	}
}

func TestReplaceCancelled(t *testing.T) {
	why := errors.New("stop")
	ctx, cancel := context.WithCancelCause(context.Background())
	d := open(t, disk.Options{}, map[string]string{"a.wav": oldText})
	err := d.Replace(ctx, "a.wav", func(w io.Writer) error {
		cancel(why)
		_, err := io.WriteString(w, newText)
		if !errors.Is(err, why) {
			t.Errorf("write: %v, want the cause of the context", err)
		}
		return nil // even so the file isn't put in place
	})
	if !errors.Is(err, why) {
		t.Errorf("%v, want the cause of the context", err)
	}
	if got := content(t, d, "a.wav"); got != oldText || leftovers(t, d) != nil {
		t.Errorf("%q, left %q", got, leftovers(t, d))
	}
}

// TestReplaceVerified: the new file is read back while the old one is there, and
// doesn't take its place when that fails.
func TestReplaceVerified(t *testing.T) {
	boom := errors.New("other bytes came back")
	d := open(t, disk.Options{Cache: fixity.Allowed}, map[string]string{"a.wav": oldText})
	for _, want := range []error{boom, nil} {
		err := d.ReplaceVerified(context.Background(), "a.wav", writeNew, func(r fixity.Reader) error {
			b, err := io.ReadAll(r)
			if err != nil || string(b) != newText || r.Cache() == fixity.Allowed {
				t.Errorf("read back: %q, %v, %s", b, err, r.Cache())
			}
			if got := content(t, d, "a.wav"); got != oldText {
				t.Errorf("meanwhile it holds %q", got)
			}
			return want
		})
		now := oldText
		if want == nil {
			now = newText
		}
		if got := content(t, d, "a.wav"); !errors.Is(err, want) || got != now || leftovers(t, d) != nil {
			t.Errorf("verified as %v: %v, holds %q, left %q", want, err, got, leftovers(t, d))
		}
	}
}

// TestReplaceHangs: a step that hangs is given up when the context ends; the old
// file is there, and what is left beside it goes with the next replacement.
func TestReplaceHangs(t *testing.T) {
	for _, hangs := range []string{"create", "write", "sync", "close", "rename"} {
		t.Run(hangs, func(t *testing.T) {
			why := errors.New("60 seconds without an answer")
			ctx, cancel := context.WithCancelCause(context.Background())
			d := open(t, disk.Options{}, map[string]string{"a.wav": oldText})
			release, ended := make(chan struct{}), make(chan struct{})
			d.SetStep(func(op string, do func() error) error {
				if op != hangs {
					return do()
				}
				cancel(why)
				<-release
				defer close(ended)
				return errors.New("the mount is gone")
			})
			if err := d.Replace(ctx, "a.wav", writeNew); !errors.Is(err, why) {
				t.Errorf("%v, want the cause of the context", err)
			}
			if got := content(t, d, "a.wav"); got != oldText {
				t.Errorf("it holds %q", got)
			}
			close(release)
			<-ended
			d.SetStep(nil)
			check(t, d.Replace(context.Background(), "a.wav", writeNew))
			if got := content(t, d, "a.wav"); got != newText || leftovers(t, d) != nil {
				t.Errorf("then: %q, left %q", got, leftovers(t, d))
			}
		})
	}
}
