//go:build unix

package disk_test

import (
	"io"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"syscall"
	"testing"
	"time"

	"firmus/replicas/disk"
	"firmus/replicas/testing/faulty"
	"firmus/replicas/testing/replicatest"
)

// harness makes a Dir of a new folder, wrapped by wrap.
func harness(wrap func(*disk.Dir) replicatest.Store, o disk.Options) replicatest.Harness {
	return replicatest.Harness{
		New: func(t *testing.T, files map[string]string) replicatest.Fixture {
			d := open(t, o, files)
			at := func(path string) string { return filepath.Join(d.Root(), path) }
			f := replicatest.Fixture{
				Store: wrap(d),
				Write: func(t *testing.T, path, data string) {
					put(t, at(path), data)
					// File systems' clocks tick in milliseconds; a person's don't.
					later := time.Now().Add(time.Second)
					if err := os.Chtimes(at(path), later, later); err != nil {
						t.Fatal(err)
					}
				},
				Remove: func(t *testing.T, path string) { check(t, os.Remove(at(path))) },
				Link:   func(t *testing.T, path, target string) { check(t, os.Symlink(at(target), at(path))) },
				Special: func(t *testing.T, path string) {
					check(t, syscall.Mkfifo(at(path), 0o666))
				},
				Hide: func(t *testing.T) { check(t, os.Rename(d.Root(), d.Root()+".unplugged")) },
			}
			if os.Geteuid() != 0 { // root may look into everything
				f.Deny = func(t *testing.T, folder string) {
					check(t, os.Chmod(at(folder), 0))
					t.Cleanup(func() { os.Chmod(at(folder), 0o700) })
				}
			}
			return f
		},
		Holds: func(name string) bool {
			return runtime.GOOS == "linux" || strings.ToValidUTF8(name, "") == name && name != "Case.wav" && name != "\u00e9.wav"
		},
	}
}

func asItIs(d *disk.Dir) replicatest.Store { return d }

func TestContract(t *testing.T) { replicatest.Run(t, harness(asItIs, disk.Options{})) }

func TestContractDropped(t *testing.T) {
	replicatest.Run(t, harness(asItIs, disk.Options{Cache: "dropped"}))
}

func TestContractAllowed(t *testing.T) {
	replicatest.Run(t, harness(asItIs, disk.Options{Cache: "allowed"}))
}

// TestContractUnderFaulty shows that the wrapper changes nothing without faults.
func TestContractUnderFaulty(t *testing.T) {
	replicatest.Run(t, harness(func(d *disk.Dir) replicatest.Store { return faulty.Wrap(d) }, disk.Options{}))
}

// TestAsOrdinaryUser runs the tests that need an operating system that says no.
func TestAsOrdinaryUser(t *testing.T) {
	if os.Geteuid() != 0 {
		t.Skip("not root: the tests run as an ordinary user anyway")
	}
	// The test binary lies where only root may look.
	dir, err := os.MkdirTemp("", "ordinary")
	check(t, err)
	defer os.RemoveAll(dir)
	check(t, os.Chmod(dir, 0o777))
	self, err := os.Open(os.Args[0])
	check(t, err)
	defer self.Close()
	binary, err := os.OpenFile(filepath.Join(dir, "test"), os.O_CREATE|os.O_WRONLY, 0o755)
	check(t, err)
	_, err = io.Copy(binary, self)
	check(t, err)
	check(t, binary.Close())
	cmd := exec.Command(binary.Name(), "-test.v", "-test.run=^(TestContract|TestDenied)$")
	cmd.Env = append(os.Environ(), "TMPDIR="+dir)
	cmd.Dir = dir
	cmd.SysProcAttr = &syscall.SysProcAttr{Credential: &syscall.Credential{Uid: 65534, Gid: 65534}}
	out, err := cmd.CombinedOutput()
	if err != nil {
		t.Errorf("%v\n%s", err, out)
	}
	for _, ran := range []string{"--- PASS: TestContract/incomplete_listing", "--- PASS: TestDenied"} {
		if !strings.Contains(string(out), ran) {
			t.Errorf("no line %q in\n%s", ran, out)
		}
	}
}
