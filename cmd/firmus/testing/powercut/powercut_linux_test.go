package powercut_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"firmus/cmd/firmus/testing/powercut"
)

// writesIn in the environment makes the test binary a program that writes in that folder,
// in one of several ways.
const writesIn = "FIRMUS_TEST_WRITES_IN"

func TestMain(m *testing.M) {
	if dir := os.Getenv(writesIn); dir != "" {
		if err := ways[os.Args[1]](dir); err != nil {
			panic(err)
		}
		os.Exit(0)
	}
	os.Exit(m.Run())
}

func flush(path string) error {
	f, err := os.Open(path)
	if err != nil {
		return err
	}
	return errors.Join(f.Sync(), f.Close())
}

// replace puts a text in the place of list.txt; what it flushes is the matter.
func replace(dir string, file, folder bool) error {
	temp, list := filepath.Join(dir, "list.new"), filepath.Join(dir, "list.txt")
	err := os.WriteFile(temp, []byte("new"), 0o600)
	if err == nil && file {
		err = flush(temp)
	}
	if err == nil {
		err = os.Rename(temp, list)
	}
	if err == nil && folder {
		err = flush(dir)
	}
	return err
}

var ways = map[string]func(dir string) error{
	"over it": func(dir string) error { return os.WriteFile(filepath.Join(dir, "list.txt"), []byte("new"), 0o600) },
	"renamed": func(dir string) error { return replace(dir, false, false) },
	"flushed": func(dir string) error { return replace(dir, true, false) },
	"all":     func(dir string) error { return replace(dir, true, true) },
	"new folder": func(dir string) error {
		in := filepath.Join(dir, "sub")
		return errors.Join(os.Mkdir(in, 0o700), os.WriteFile(filepath.Join(in, "a"), []byte("new"), 0o600), flush(filepath.Join(in, "a")), flush(in))
	},
	"two names": func(dir string) error {
		return errors.Join(os.Link(filepath.Join(dir, "list.txt"), filepath.Join(dir, "kept")), flush(dir),
			os.Remove(filepath.Join(dir, "list.txt")))
	},
}

// What each way of writing may leave, as the comment of the package says.
func TestStates(t *testing.T) {
	if _, err := exec.LookPath("strace"); err != nil {
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatal(err)
		}
		t.Skip("strace isn't there")
	}
	for _, tc := range []struct {
		way         string
		ever, ended []string // what lies in the folder, of which each must be met and no other
	}{
		{"over it", []string{"list.txt=old", "list.txt=", "list.txt=new", "list.txt=000"}, []string{"list.txt=old", "list.txt=", "list.txt=new", "list.txt=000"}},
		{"renamed", []string{"list.txt=old", "list.new= list.txt=old", "list.new=new list.txt=old", "list.new=000 list.txt=old", "list.txt=", "list.txt=new", "list.txt=000"},
			[]string{"list.txt=old", "list.new= list.txt=old", "list.new=new list.txt=old", "list.new=000 list.txt=old", "list.txt=", "list.txt=new", "list.txt=000"}},
		{"flushed", []string{"list.txt=old", "list.new= list.txt=old", "list.new=new list.txt=old", "list.new=000 list.txt=old", "list.txt=new"},
			[]string{"list.txt=old", "list.new=new list.txt=old", "list.txt=new"}},
		{"all", []string{"list.txt=old", "list.new= list.txt=old", "list.new=new list.txt=old", "list.new=000 list.txt=old", "list.txt=new"}, []string{"list.txt=new"}},
		{"new folder", []string{"list.txt=old", "list.txt=old sub", "list.txt=old sub sub/a=", "list.txt=old sub sub/a=new", "list.txt=old sub sub/a=000"}, []string{"list.txt=old", "list.txt=old sub sub/a=new"}},
		{"two names", []string{"list.txt=old", "kept=old list.txt=old", "kept=old"}, []string{"kept=old", "kept=old list.txt=old"}},
	} {
		t.Run(tc.way, func(t *testing.T) {
			dir := t.TempDir()
			if err := os.WriteFile(filepath.Join(dir, "list.txt"), []byte("old"), 0o600); err != nil {
				t.Fatal(err)
			}
			cmd := exec.Command(os.Args[0], tc.way)
			cmd.Env = append(os.Environ(), writesIn+"="+dir)
			trace, err := powercut.Record(dir, cmd)
			if err != nil {
				t.Fatal(err)
			}
			states, all := trace.States(1, 1000, func(string) bool { return false })
			if len(states) != all {
				t.Errorf("%d states of %d", len(states), all)
			}
			ever, ended := map[string]bool{}, map[string]bool{}
			for _, s := range states {
				if err := s.Lay(); err != nil {
					t.Fatal(err)
				}
				is := holds(t, dir)
				if ever[is] = true; s.Ended {
					ended[is] = true
				}
				if !slices.Contains(tc.ever, is) || s.Ended && !slices.Contains(tc.ended, is) {
					t.Errorf("%q can't be left:\n%s", is, s)
				}
			}
			for _, want := range tc.ever {
				if !ever[want] {
					t.Errorf("%q wasn't among the states", want)
				}
			}
			for _, want := range tc.ended {
				if !ended[want] {
					t.Errorf("%q wasn't among the last states", want)
				}
			}
		})
	}
}

func holds(t *testing.T, dir string) string {
	t.Helper()
	var out []string
	if err := filepath.WalkDir(dir, func(p string, d os.DirEntry, err error) error {
		if err != nil || p == dir {
			return err
		}
		rel, err := filepath.Rel(dir, p)
		if !d.IsDir() {
			b, err := os.ReadFile(p)
			if err != nil {
				return err
			}
			rel += "=" + strings.ReplaceAll(string(b), "\x00", "0")
		}
		out = append(out, rel)
		return err
	}); err != nil {
		t.Fatal(err)
	}
	return strings.Join(out, " ")
}

// What isn't understood is an error: no state is made of half of what a program did.
func TestNotUnderstood(t *testing.T) {
	if _, err := exec.LookPath("strace"); err != nil {
		t.Skip("strace isn't there")
	}
	dir := t.TempDir()
	for _, args := range [][]string{{"sh", "-c", "ln -s a b"}, {"sh", "-c", "/bin/true; /bin/true"}, {"sh", "-c", "truncate -s 5 a; true"}} {
		if _, err := powercut.Record(dir, exec.Command(args[0], append(args[1:], dir)...)); err == nil {
			t.Errorf("%q was understood", args)
		}
	}
}
