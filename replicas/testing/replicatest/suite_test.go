package replicatest_test

import (
	"errors"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"firmus/replicas/disk"
	"firmus/replicas/testing/faulty"
	"firmus/replicas/testing/replicatest"
)

// broken are stores that break the contract, and a test of it that must fail.
var broken = map[string]struct {
	fault faulty.Fault
	fails string
}{
	"other bytes":       {faulty.Flip("QV-0107/a.wav", 0, 1), "whole_reads"},
	"a short file":      {faulty.Short("QV-0107/a.wav", 4000), "whole_reads"},
	"ends while open":   {faulty.Short("a.wav", 2<<20), "changed_while_it_is_read/same_size"},
	"other after 4 KiB": {faulty.Flip("a.wav", 4096, 1), "offset_reads"},
	"no listing":        {faulty.Nth(faulty.Step, 3, errors.New("boom")), "sorted_walk"},
	"no name":           {faulty.Nth(faulty.Identify, 0, errors.New("boom")), "empty_root"},
	"close fails":       {faulty.Nth(faulty.Close, 0, errors.New("boom")), "closed"},
}

const which = "REPLICATEST_BROKEN"

// TestChild runs the contract on a broken store; only TestBrokenStoresFail asks.
func TestChild(t *testing.T) {
	b, ok := broken[os.Getenv(which)]
	if !ok {
		t.Skip("run by TestBrokenStoresFail")
	}
	replicatest.Run(t, replicatest.Harness{New: func(t *testing.T, files map[string]string) replicatest.Fixture {
		root := t.TempDir()
		write := func(t *testing.T, path, data string) {
			at := filepath.Join(root, filepath.FromSlash(path))
			if err := errors.Join(os.MkdirAll(filepath.Dir(at), 0o777), os.WriteFile(at, []byte(data), 0o666)); err != nil {
				t.Fatal(err)
			}
		}
		for path, data := range files {
			write(t, path, data)
		}
		d, err := disk.Open(root, disk.Options{})
		if err != nil {
			t.Fatal(err)
		}
		return replicatest.Fixture{Store: faulty.Wrap(d, b.fault), Write: write}
	}})
}

// TestBrokenStoresFail shows that the contract can be broken, and that it's told.
func TestBrokenStoresFail(t *testing.T) {
	for name, b := range broken {
		t.Run(name, func(t *testing.T) {
			cmd := exec.Command(os.Args[0], "-test.v", "-test.run=^TestChild$")
			cmd.Env = append(os.Environ(), which+"="+name)
			out, err := cmd.CombinedOutput()
			if err == nil || !strings.Contains(string(out), "--- FAIL: TestChild/"+b.fails) {
				t.Errorf("%v, and %s didn't fail:\n%s", err, b.fails, out)
			}
		})
	}
}
