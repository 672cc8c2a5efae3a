package main

import (
	"context"
	"os"
	"path/filepath"
	"regexp"
	"runtime"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
	"github.com/rogpeppe/go-internal/txtar"
)

// What Windows, and Wine in its place, lacks for scripts is made good here.

// underWine is set where tests are built for Wine.
var underWine bool

// haveLinks says that a link leads to what it names. Windows lets few accounts make one, and
// Wine makes one that leads nowhere.
var haveLinks = sync.OnceValue(func() bool {
	dir, err := os.MkdirTemp("", "links")
	if err != nil {
		return false
	}
	defer os.RemoveAll(dir)
	file, link := filepath.Join(dir, "file"), filepath.Join(dir, "link")
	if os.WriteFile(file, []byte("it"), 0o666) != nil || os.Symlink(file, link) != nil {
		return false
	}
	b, err := os.ReadFile(link)
	return err == nil && string(b) == "it"
})

// theProgram is main as scripts call it. Windows has no TZ that would put the clock on UTC, and
// no signal for a process alone: interrupt leaves a file there instead.
func theProgram() {
	if runtime.GOOS != "windows" {
		main()
		return
	}
	time.Local = time.UTC
	ctx, end := context.WithCancel(context.Background())
	go func() {
		asked := endFile(os.Getenv("WORK"), os.Getpid())
		for ; ; time.Sleep(50 * time.Millisecond) {
			if _, err := os.Stat(asked); err == nil {
				end()
				return
			}
		}
	}()
	os.Exit(runUntil(ctx, os.Args[1:], os.Stdin, os.Stdout, os.Stderr))
}

func endFile(work string, pid int) string { return filepath.Join(work, ".end-"+strconv.Itoa(pid)) }

// interrupt: asks what runs in the background to end, as Ctrl+C does.
func cmdInterrupt(ts *testscript.TestScript, neg bool, args []string) {
	running := ts.BackgroundCmds()
	if neg || len(args) != 0 || len(running) == 0 {
		ts.Fatalf("usage: interrupt, while something runs in the background")
	}
	for _, c := range running {
		if runtime.GOOS == "windows" {
			ts.Check(os.WriteFile(endFile(ts.Getenv("WORK"), c.Process.Pid), nil, 0o666))
		} else {
			ts.Check(c.Process.Signal(os.Interrupt))
		}
	}
}

// scripts is the folder of the scripts. On Windows they are copied, and a slash in what they
// look for in texts also finds the backslash that divides paths there.
func scripts(t *testing.T) string {
	const dir = "testdata/script"
	if runtime.GOOS != "windows" {
		return dir
	}
	names, err := filepath.Glob(filepath.Join(dir, "*.txtar"))
	if err != nil || len(names) == 0 {
		t.Fatalf("no scripts in %s: %v", dir, err)
	}
	to := t.TempDir()
	for _, name := range names {
		a, err := txtar.ParseFile(name)
		if err != nil {
			t.Fatal(err)
		}
		lines := strings.Split(string(a.Comment), "\n")
		for i, line := range lines {
			lines[i] = eitherSlash(line)
		}
		a.Comment = []byte(strings.Join(lines, "\n"))
		if err := os.WriteFile(filepath.Join(to, filepath.Base(name)), txtar.Format(a), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	return to
}

// looksFor is what a line begins with if it looks for a pattern.
var looksFor = regexp.MustCompile(`^(\[[^\]]*\] +)*(! +)?(stdout|stderr|grep|found|await +\S+)( +-count=\S+)? +`)

// eitherSlash is a script's line with each slash in its pattern, if it has one, as a class of
// both slashes, also where JSON writes two for one.
func eitherSlash(line string) string {
	at := len(looksFor.FindString(line))
	if at == 0 {
		return line
	}
	var b strings.Builder
	b.WriteString(line[:at])
	quoted, class := false, false
	for i := at; i < len(line); i++ {
		switch c := line[i]; {
		case c == ' ' && !quoted: // what follows is no pattern
			return b.String() + line[i:]
		case c == '\\' && i+1 < len(line):
			b.WriteByte(c)
			i++
		case c == '/' && class:
			b.WriteString(`/\\`)
			continue
		case c == '/':
			b.WriteString(`[/\\]+`)
			continue
		case c == '\'':
			quoted = !quoted
		case c == '[':
			class = true
		case c == ']':
			class = false
		}
		b.WriteByte(line[i])
	}
	return b.String()
}

func TestEitherSlash(t *testing.T) {
	for line, want := range map[string]string{
		`stdout 'a/b [^/]+' `:         `stdout 'a[/\\]+b [^/\\]+' `,
		`! stderr a/b`:                `! stderr a[/\\]+b`,
		`[windows] stdout 'x'/y`:      `[windows] stdout 'x'[/\\]+y`,
		`stdout -count=2 '^/'`:        `stdout -count=2 '^[/\\]+'`,
		`grep 'a/b' c/d`:              `grep 'a[/\\]+b' c/d`,
		`await 60s 'a/b' c/d e`:       `await 60s 'a[/\\]+b' c/d e`,
		`stdout 'a\[/b'`:              `stdout 'a\[[/\\]+b'`,
		`exits 0 firmus audit a/b`:    `exits 0 firmus audit a/b`,
		`# stdout a/b`:                `# stdout a/b`,
		`stdout`:                      `stdout`,
		`found 'a/b' state/x state/y`: `found 'a[/\\]+b' state/x state/y`,
	} {
		if got := eitherSlash(line); got != want {
			t.Errorf("%s: %s, want %s", line, got, want)
		}
	}
}
