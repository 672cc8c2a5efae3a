package main

import (
	"bufio"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/testdata"
)

// firstFiles are the recordings of whoever begins.
var firstFiles = []string{"masters/QV-0107/QV-0107_A.wav", "masters/QV-0107/QV-0107_B.wav", "access/QV-0107/QV-0107_A_01.wav"}

// newcomer is a computer on which nobody has configured anything: a home with recordings,
// and "firmus serve" in an empty folder. It returns the link that serve prints.
func newcomer(t *testing.T, env ...string) (home, work, link string) {
	t.Helper()
	dir, err := filepath.EvalSymlinks(t.TempDir())
	if err != nil {
		t.Fatal(err)
	}
	home, work = filepath.Join(dir, "home"), filepath.Join(dir, "work")
	if err := os.MkdirAll(work, 0o755); err != nil {
		t.Fatal(err)
	}
	hour := time.Now().Add(-time.Hour)
	for i, f := range firstFiles {
		for _, store := range []string{"studio", "second"} {
			p := filepath.Join(home, "Music", store, filepath.FromSlash(f))
			if err := os.MkdirAll(filepath.Dir(p), 0o755); err != nil {
				t.Fatal(err)
			}
			if err := os.WriteFile(p, testdata.Wave(fmt.Sprint("first", i), 300_000), 0o644); err != nil {
				t.Fatal(err)
			}
			if err := os.Chtimes(p, hour, hour); err != nil {
				t.Fatal(err)
			}
		}
	}
	serve := exec.Command(os.Args[0], "serve")
	serve.Dir = work
	for _, e := range os.Environ() {
		if !strings.HasPrefix(e, "FIRMUS_CONFIG=") && !strings.HasPrefix(e, "XDG_CONFIG_HOME=") {
			serve.Env = append(serve.Env, e)
		}
	}
	serve.Env = append(serve.Env, beProgram+"=1", "HOME="+home)
	serve.Env = append(serve.Env, env...)
	said, err := serve.StderrPipe()
	if err != nil {
		t.Fatal(err)
	}
	if err := serve.Start(); err != nil {
		t.Fatal(err)
	}
	links := make(chan string, 4)
	ended := make(chan struct{})
	go func() {
		defer close(ended)
		for lines := bufio.NewScanner(said); lines.Scan(); {
			if url, ok := strings.CutPrefix(lines.Text(), "open "); ok {
				links <- url
			}
			t.Log(lines.Text())
		}
	}()
	t.Cleanup(func() {
		if err := serve.Process.Signal(os.Interrupt); err != nil {
			t.Error(err)
		}
		<-ended
		if err := serve.Wait(); err != nil {
			t.Errorf("serve ended with %v", err)
		}
	})
	select {
	case link = <-links:
	case <-time.After(time.Minute):
		t.Fatal("serve printed no link")
	}
	return home, work, link
}

// chooseFolders goes from the link to the question about a cloud.
func chooseFolders(b *browsertest.Tab, home, link string, picture func()) {
	b.Open(link)
	b.Click("Open")
	b.Wait("What are the holdings called?")
	picture()
	b.Click("Next")
	b.Wait("In which folder do masters")
	picture()
	b.Click(filepath.Join(home, "Music"))
	b.Click("studio")
	b.Wait("One folder up")
	picture()
	b.Click("masters")
	b.Wait("2 files")
	b.Click("Take this folder")
	b.Wait("In which folder are access files made?")
	b.Wait("Proposed: " + filepath.Join(home, "Music", "studio", "access"))
	picture()
	b.Click("Take this folder")
	b.Wait("Which folder on another drive")
	b.Click(filepath.Join(home, "Music"))
	b.Click("second")
	b.Wait("3 files")
	b.Click("Take this folder")
	b.Wait("Where in it are the copies of the masters?")
	b.Click("Next")
	b.Wait("Which cloud folder")
	picture()
}

// firstRuns go from nothing to the first clean audit, by what is chosen on the way.
var firstRuns = map[string]func(t *testing.T){"disks alone": firstRunOfDisks}

// TestFirstRun goes from nothing to the first clean audit by clicks alone. First runs go on side
// by side, and no other test does: one takes the usual address of the pages, which others find free.
func TestFirstRun(t *testing.T) {
	if runtime.GOOS == "windows" {
		t.Skip("a process is not interrupted so on Windows")
	}
	for name, run := range firstRuns {
		t.Run(name, func(t *testing.T) {
			t.Parallel()
			run(t)
		})
	}
}

func firstRunOfDisks(t *testing.T) {
	b := browsertest.New(t)
	home, work, link := newcomer(t)
	cfg := filepath.Join(work, "firmus.toml")
	pictures := os.Getenv("FIRMUS_PICTURES") // a folder, for people to look at
	n := 0
	picture := func() {
		if n++; pictures != "" {
			b.Picture(filepath.Join(pictures, fmt.Sprintf("first-%02d.png", n)))
		}
	}
	chooseFolders(b, home, link, picture)
	b.Click("We have none")
	b.Click("We burn no discs")
	b.Wait("Which mail server")
	picture()
	b.Click("No letters")
	b.Wait("Where do people find the drive where new files arrive?")
	b.Click("Leave that open")
	b.Wait("What will be written")
	b.Wait("Nothing above is NOT OK")
	b.Click("It is a trial")
	b.Wait("own_drive = true #")
	picture()
	if _, err := os.Stat(cfg); err == nil {
		t.Error("a configuration is there before anybody asked for it")
	}
	b.Click("Write it and begin")
	b.Wait("Nothing is under care yet")
	picture()
	c, err := config.Load(cfg)
	if err != nil {
		t.Fatal(err)
	}
	if s, _ := c.Store("studio"); s.Sets[0].Path != filepath.Join(home, "Music", "studio", "masters") {
		t.Errorf("masters lie in %+v", s.Sets)
	}
	b.Click("Begin the first intake")
	b.Wait("3 files taken under care. The first audit found no difference.")
	b.Wait("vault 3 copies intact")
	picture()
	b.Click("To Today")
	b.Wait("No finding is open")
	picture()
	if url := b.At(); !strings.HasSuffix(url, "/") {
		t.Errorf("Today is at %s", url)
	}
}
