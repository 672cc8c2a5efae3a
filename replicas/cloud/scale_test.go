package cloud_test

import (
	"bufio"
	"context"
	"fmt"
	"os"
	"runtime/debug"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/drive"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
)

// serverVar makes the test binary a server of a large archive, so that what the
// server needs isn't counted as the client's.
const serverVar = "FIRMUS_TEST_LARGE_ARCHIVE" // "shared FILES FOLDERS"

func TestMain(m *testing.M) {
	if spec := os.Getenv(serverVar); spec != "" {
		if err := serveLarge(spec); err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		return
	}
	os.Exit(m.Run())
}

// serveLarge serves an archive until its standard input ends, and prints the number
// of calls for each line that it reads.
func serveLarge(spec string) error {
	var shared bool
	var files, folders int
	if _, err := fmt.Sscan(spec, &shared, &files, &folders); err != nil {
		return err
	}
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		return err
	}
	defer s.Close()
	at := drivetest.Root
	if shared {
		at = s.AddDrive("Survey")
	}
	folder := s.AddFolder(at, "archive")
	masters := s.AddFolder(folder, "masters")
	dirs := make([]string, folders)
	for i := range dirs {
		dirs[i] = s.AddFolder(masters, fmt.Sprintf("QV-%05d", i))
	}
	for i := range files {
		s.AddFile(dirs[i%folders], fmt.Sprintf("QV-%05d side %06d.wav", i%folders, i), []byte(strconv.Itoa(i)))
	}
	fmt.Println(s.Endpoint(), folder)
	for in := bufio.NewScanner(os.Stdin); in.Scan(); {
		fmt.Println(s.Count(listCall), s.Count(""))
		s.Reset()
	}
	return nil
}

// large is a large archive in another process.
func large(tb testing.TB, shared bool, files, folders int) (s *cloud.Store, calls func() (lists, all int)) {
	tb.Helper()
	first, ask := cloudtest.Child(tb, fmt.Sprintf("%s=%v %d %d", serverVar, shared, files, folders))
	w := strings.Fields(first)
	d, err := drive.Open(context.Background(), drive.Options{Endpoint: w[0], Now: time.Now})
	check(tb, err)
	s, err = cloud.New(d, cloud.Options{Folder: w[1], Now: time.Now})
	check(tb, err)
	return s, func() (int, int) {
		w := strings.Fields(ask())
		lists, err := strconv.Atoi(w[0])
		check(tb, err)
		all, err := strconv.Atoi(w[1])
		check(tb, err)
		return lists, all
	}
}

// walkAll is how many files an audit's listing of a set shows.
func walkAll(tb testing.TB, f *cloud.Folder) int {
	tb.Helper()
	shards, err := f.Shards(context.Background())
	check(tb, err)
	n := 0
	for _, shard := range shards {
		for e, err := range f.List(context.Background(), shard) {
			check(tb, err)
			if e.Type == fixity.File && !e.Reported.IsZero() {
				n++
			}
		}
	}
	return n
}

// TestHundredThousandFiles lists them in as few requests as promised and within 150
// MiB, the first time, and again when there is a listing to compare with.
func TestHundredThousandFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	const files, folders = 100_000, 4000
	// The collector is told how much there is. Else how much it lets lie depends on how busy
	// the computer is, and not on what a listing needs.
	defer debug.SetMemoryLimit(debug.SetMemoryLimit(135 << 20))
	both(t, func(t *testing.T, shared bool) {
		s, calls := large(t, shared, files, folders)
		f := s.Set("masters", nil)
		for _, round := range []string{"first", "second"} {
			n := 0
			top := cloudtest.Highest(func() { n = walkAll(t, f) })
			lists, all := calls()
			t.Logf("%s listing: %d files, %d listings of %d calls, %d MiB", round, n, lists, all, top>>20)
			most := (files+folders)/1000 + 2
			if !shared {
				most = folders/40 + 1 + (folders+999)/1000 + 2
			}
			if n != files || lists > most || all > most+4 {
				t.Errorf("%s: %d files in %d listings (%d at most) of %d calls", round, n, lists, most, all)
			}
			if top > 150<<20 {
				t.Errorf("%s: %d MiB", round, top>>20)
			}
		}
	})
}

// BenchmarkList compares a listing, tree, paths and order with fetching the pages
// alone.
func BenchmarkList(b *testing.B) {
	const files, folders = 20_000, 800
	for _, shared := range []bool{true, false} {
		s, _ := large(b, shared, files, folders)
		name := map[bool]string{true: "shared drive", false: "own drive"}[shared]
		check(b, s.Refresh(context.Background())) // the server keeps its answers
		b.Run(name+"/baseline refresh alone", func(b *testing.B) {
			for b.Loop() {
				check(b, s.Refresh(context.Background()))
			}
			b.ReportMetric(files*float64(b.N)/b.Elapsed().Seconds(), "files/s")
		})
		b.Run(name+"/refresh and walk", func(b *testing.B) {
			f := s.Set("masters", nil)
			for b.Loop() {
				check(b, s.Refresh(context.Background()))
				if n := walkAll(b, f); n != files {
					b.Fatal(n)
				}
			}
			b.ReportMetric(files*float64(b.N)/b.Elapsed().Seconds(), "files/s")
		})
	}
}
