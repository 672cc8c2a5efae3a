package cloudtest

import (
	"bufio"
	"context"
	"fmt"
	"net"
	"net/http"
	"os"
	"os/exec"
	"runtime"
	"runtime/debug"
	"strconv"
	"sync/atomic"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
)

// LargeVar in the environment makes a test's binary a server of a large folder, so that
// what the server needs isn't counted as the client's.
const LargeVar = "FIRMUS_TEST_LARGE_FOLDER"

// LargeFiles is how many files that folder has, in LargeFolders folders of the set of masters.
const (
	LargeFiles   = 20_000
	LargeFolders = 800
)

// LargePath is the path of one of the files in the set.
func LargePath(i int) string {
	return fmt.Sprintf("QV-%05d/QV-%05d side %06d.wav", i%LargeFolders, i%LargeFolders, i)
}

// ServeLarge serves until the standard input ends, and prints for each line that it reads how
// many calls there were since.
func ServeLarge(h http.Handler) {
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	var n atomic.Int64
	go http.Serve(l, http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) { n.Add(1); h.ServeHTTP(w, r) }))
	fmt.Println("http://" + l.Addr().String())
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		fmt.Println(n.Swap(0))
	}
}

// Child starts this binary again with a setting added to its environment, by which it is a
// server until its standard input ends. What it gives is the first line that the server
// prints, and what prints another for an empty line.
func Child(t testing.TB, setting string) (first string, ask func() string) {
	t.Helper()
	cmd := exec.Command(os.Args[0])
	cmd.Env = append(os.Environ(), setting)
	cmd.Stderr = os.Stderr
	in, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	out, err := cmd.StdoutPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	t.Cleanup(func() { in.Close(); cmd.Wait() })
	lines := bufio.NewScanner(out)
	line := func() string {
		if !lines.Scan() {
			t.Fatal("the server ended")
		}
		return lines.Text()
	}
	return line(), func() string {
		fmt.Fprintln(in)
		return line()
	}
}

// Large starts this binary as the server of a large folder.
func Large(t *testing.T) (url string, calls func() int) {
	t.Helper()
	url, ask := Child(t, LargeVar+"=1")
	return url, func() int {
		n, err := strconv.Atoi(ask())
		if err != nil {
			t.Fatal(err)
		}
		return n
	}
}

// Highest is the most memory that f made the process have from the system, in bytes, as
// seen a hundred times a second.
func Highest(f func()) uint64 {
	debug.FreeOSMemory()
	stop, done := make(chan struct{}), make(chan uint64)
	go func() {
		var top uint64
		for {
			var m runtime.MemStats
			runtime.ReadMemStats(&m)
			top = max(top, m.Sys-m.HeapReleased)
			select {
			case <-stop:
				done <- top
				return
			case <-time.After(10 * time.Millisecond):
			}
		}
	}()
	f()
	close(stop)
	return <-done
}

// ListLarge lists the set of masters twice, and holds calls and memory against bounds.
func ListLarge(t *testing.T, s *cloud.Store, calls func() int, mostCalls int, mostMemory uint64) {
	f := s.Set("masters", nil)
	calls()
	for _, round := range []string{"first", "second"} {
		n, began := 0, time.Now()
		top := Highest(func() {
			shards, err := f.Shards(context.Background())
			if err != nil {
				t.Fatal(err)
			}
			for _, shard := range shards {
				for e, err := range f.List(context.Background(), shard) {
					if err != nil {
						t.Fatal(err)
					}
					if e.Type == fixity.File {
						n++
					}
				}
			}
		})
		took, made := time.Since(began), calls()
		t.Logf("%s listing: %d files, %d calls, %v, %d MiB", round, n, made, took.Round(time.Millisecond), top>>20)
		if n != LargeFiles || made > mostCalls || top > mostMemory {
			t.Errorf("%s: %d files in %d calls (%d at most) and %d MiB (%d at most)", round, n, made, mostCalls, top>>20, mostMemory>>20)
		}
	}
}
