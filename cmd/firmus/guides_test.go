package main

import (
	"cmp"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"

	"github.com/rogpeppe/go-internal/testscript"
)

// inBlock is a command in a block of code, without what is said about it; inLine is one
// among words.
var (
	inBlock = regexp.MustCompile(`^ {4,}((?:sudo |\.\\)?(?:firmus|go|curl|systemctl|install|journalctl)(?:\.exe)?\b.*?)(?: +# .*| {2,}#.*)?$`)
	inLine  = regexp.MustCompile("`((?:sudo )?firmus [a-z-][^`]*)`")
)

// guideCommands are the commands that README.md and the guides beside deploy/firmus.toml tell
// people to type, each with the places where it stands.
var guideCommands = sync.OnceValues(func() (map[string][]string, error) {
	files, err := filepath.Glob("../../deploy/*.md")
	if err != nil {
		return nil, err
	}
	told := map[string][]string{}
	for _, file := range append(files, "../../README.md") {
		if filepath.Base(file) == "CHANGELOG.md" {
			continue
		}
		text, err := os.ReadFile(file)
		if err != nil {
			return nil, err
		}
		paragraph := "" // a command among words may go on in the next line
		tell := func(n int, command string) {
			command = strings.Join(strings.Fields(command), " ")
			told[command] = append(told[command], filepath.Base(file)+":"+strconv.Itoa(n))
		}
		for n, line := range strings.Split(string(text), "\n") {
			if m := inBlock.FindStringSubmatch(line); m != nil {
				tell(n+1, m[1])
			}
			if line != "" && !strings.HasPrefix(line, "    ") {
				paragraph += line + " "
				continue
			}
			for _, m := range inLine.FindAllStringSubmatch(paragraph, -1) {
				tell(n, m[1])
			}
			paragraph = ""
		}
	}
	if len(told) < 80 {
		return nil, errors.New("the guides tell few commands: are they still written in the same way?")
	}
	return told, nil
})

// guide STATUS 'COMMAND' [WORD=OTHER…] [-- MORE…]: runs a command as a guide tells it, and wants
// an exit status. What is a person's own (a number, a path, a reason) is replaced: each word that
// is WORD by OTHER; of a pattern of paths, the last name that it has. What only the test needs, such as an image in place of a drive, comes last.
func cmdGuide(ts *testscript.TestScript, _ bool, args []string) {
	told, err := guideCommands()
	ts.Check(err)
	if told[args[1]] == nil {
		ts.Fatalf("no guide tells %q", args[1])
	}
	own, more := args[2:], []string(nil)
	if i := slices.Index(own, "--"); i >= 0 {
		own, more = own[:i], own[i+1:]
	}
	words, to, redirected := strings.Cut(args[1], " > ")
	run := shellWords(strings.TrimPrefix(words, "sudo "))
	for i, w := range run {
		for _, r := range own {
			if was, now, _ := strings.Cut(r, "="); was == w {
				run[i] = now
				if found, _ := filepath.Glob(ts.MkAbs(now)); strings.Contains(now, "*") && len(found) > 0 {
					run[i] = filepath.Base(found[len(found)-1])
				}
			}
		}
	}
	cmdExits(ts, false, append(append([]string{args[0]}, run...), more...))
	if redirected {
		ts.Check(os.WriteFile(ts.MkAbs(to), []byte(ts.ReadFile("stdout")), 0o644))
	}
}

// waves FOLDER COUNT: writes so many whole recordings, of a small size.
func cmdWaves(ts *testscript.TestScript, _ bool, args []string) {
	count, err := strconv.Atoi(args[1])
	ts.Check(err)
	for i := range count {
		cmdWave(ts, false, []string{filepath.Join(args[0], fmt.Sprintf("%s_%02d.wav", filepath.Base(args[0]), i)), "10000"})
	}
}

// shellWords are the words of a command, as a shell divides it; "" and ” hold one together.
func shellWords(command string) []string {
	var words []string
	for _, m := range regexp.MustCompile(`"([^"]*)"|'([^']*)'|(\S+)`).FindAllStringSubmatch(command, -1) {
		words = append(words, cmp.Or(m[1], m[2], m[3]))
	}
	return words
}

// elsewhere are commands of the guides that no script runs with "guide": the test that runs each,
// and words of it; or the reason why none does.
var elsewhere = map[string]struct{ file, words, reason string }{
	"go run ./cmd/firmus demo":                     {file: "testdata/script/demo.txtar", words: "firmus demo --keep kept --once"},
	"firmus demo":                                  {file: "testdata/script/demo.txtar", words: "firmus demo --keep kept --once"},
	"go test ./...":                                {file: "../../.ci/run", words: "readme_tests"},
	"go build ./cmd/firmus":                        {file: "../../.ci/run", words: "go build -o \"$tmp/firmus.again\" ./cmd/firmus"},
	"go build -o firmus.exe ./cmd/firmus":          {file: "../../.ci/run", words: "windows/amd64"},
	"firmus serve":                                 {file: "testdata/script/serve.txtar", words: "exec firmus serve &d&"},
	"firmus recover --store cloud --to-upload DIR": {file: "cloud_recover_test.go", words: `"recover", "--store", "cloud", "--to-upload", ready`},
	"firmus ledger move --to postgres://firmus@db.example.org/firmus": {file: "internal/app/hosts_test.go", words: "func TestLedgerMoves("},
	"curl http://127.0.0.1:7340/metrics":                              {file: "testdata/script/serve.txtar", words: "get http://127.0.0.1:$PORT/metrics 200"},
	"curl http://127.0.0.1:7340/healthz":                              {file: "testdata/script/serve.txtar", words: "get http://127.0.0.1:$PORT/healthz 200"},
	"curl http://127.0.0.1:7340/readyz":                               {file: "testdata/script/serve.txtar", words: "get http://127.0.0.1:$PORT/readyz 200"},

	"sudo install firmus /usr/local/bin/":                               {reason: "it changes the computer, and is a program of the system"},
	"sudo install -m 0755 firmus /usr/local/bin/":                       {reason: "the same"},
	"systemctl status firmus; journalctl -u firmus":                     {reason: "they are the system's; the unit is held against systemd-analyze"},
	`.\firmus.exe version`:                                              {reason: "there is no Windows; the same command is run elsewhere"},
	`firmus --config C:\ProgramData\Firmus\firmus.toml service install`: {reason: "nobody has tried to register the service on Windows, and the guide says so"},
}

// TestGuides: each command that a guide tells is run by a script, by "guide", or by another test.
func TestGuides(t *testing.T) {
	told, err := guideCommands()
	if err != nil {
		t.Fatal(err)
	}
	scripts, err := filepath.Glob("testdata/script/*.txtar")
	if err != nil {
		t.Fatal(err)
	}
	ran := map[string]bool{}
	line := regexp.MustCompile(`(?m)^guide \d '([^']*)'`)
	for _, s := range scripts {
		text, err := os.ReadFile(s)
		if err != nil {
			t.Fatal(err)
		}
		script, _, _ := strings.Cut(string(text), "\n-- ")
		for _, m := range line.FindAllStringSubmatch(script, -1) {
			ran[m[1]] = true
		}
	}
	for command, x := range elsewhere {
		if told[command] == nil {
			t.Errorf("no guide tells %q", command)
		}
		if x.reason != "" {
			continue
		}
		text, err := os.ReadFile(x.file)
		if err != nil {
			t.Error(err)
		} else if !strings.Contains(string(text), x.words) {
			t.Errorf("%q: %s doesn't have %q", command, x.file, x.words)
		}
	}
	var lack []string
	for command, where := range told {
		_, other := elsewhere[command]
		if !ran[command] && !other {
			lack = append(lack, where[0]+": "+command)
		}
	}
	slices.Sort(lack)
	for _, l := range lack {
		t.Error("no test runs ", l)
	}
}

// TestGuidesLinks: what README.md and the guides link to is there.
func TestGuidesLinks(t *testing.T) {
	files, err := filepath.Glob("../../deploy/*.md")
	if err != nil {
		t.Fatal(err)
	}
	links := 0
	for _, file := range append(files, "../../README.md", "../../DEVELOPERS.md") {
		text, err := os.ReadFile(file)
		if err != nil {
			t.Fatal(err)
		}
		for _, m := range regexp.MustCompile(`\]\(([^)#]+)\)`).FindAllStringSubmatch(string(text), -1) {
			links++
			if _, err := os.Stat(filepath.Join(filepath.Dir(file), m[1])); err != nil {
				t.Errorf("%s: %v", file, err)
			}
		}
	}
	if links < 15 {
		t.Errorf("only %d links", links)
	}
}
