package main

import (
	"bytes"
	"context"
	"database/sql"
	"encoding/json"
	"flag"
	"fmt"
	"io/fs"
	"net"
	"net/http"
	"os"
	"os/exec"
	"path/filepath"
	"strconv"
	"strings"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"

	"firmus/cmd/firmus/testing/mailtest"
	"firmus/testdata"
)

// beProgram in the environment makes the test binary the program itself: for tests
// that kill it.
const beProgram = "FIRMUS_TEST_BE_PROGRAM"

// cloudThere in the environment is the address of a simulated cloud service: what the program
// asks of a service elsewhere by HTTPS goes there, so that nothing of a configuration has to say
// that this is a test.
const cloudThere = "FIRMUS_TEST_CLOUD"

// children are what the test binary is or undergoes in a process of its own, by variables of the
// environment.
var children = map[string]func(value string){}

func TestMain(m *testing.M) {
	for name, do := range children {
		if v := os.Getenv(name); v != "" {
			do(v)
		}
	}
	if os.Getenv(beProgram) != "" {
		if there := os.Getenv(cloudThere); there != "" {
			http.DefaultTransport.(*http.Transport).DialTLSContext = func(ctx context.Context, network, _ string) (net.Conn, error) {
				return new(net.Dialer).DialContext(ctx, network, there)
			}
		}
		main()
	}
	// Scripts wait for drives more than they work.
	if err := flag.Set("test.parallel", "4"); err != nil {
		panic(err)
	}
	testscript.Main(m, map[string]func(){"firmus": theProgram})
}

// TestScript runs the scripts through main itself: flags, exit status, stdout and
// stderr are those of the program.
func TestScript(t *testing.T) {
	t.Parallel()
	testscript.Run(t, testscript.Params{
		Dir:                 scripts(t),
		UpdateScripts:       os.Getenv("UPDATE_SCRIPTS") != "",
		RequireExplicitExec: true,
		RequireUniqueNames:  true,
		Setup: func(e *testscript.Env) error {
			e.Setenv("FIRMUS_ALL_PARTS", os.Getenv("FIRMUS_ALL_PARTS"))
			e.Setenv("TZ", "UTC")
			e.Setenv("PORT", freePort(t))
			e.Setenv("NL", "\n")
			return nil
		},
		Condition: func(cond string) (bool, error) {
			switch cond {
			case "root":
				return os.Geteuid() == 0, nil
			case "wine":
				return underWine, nil
			case "links":
				return haveLinks(), nil
			}
			if program, ok := strings.CutPrefix(cond, "lacks:"); ok {
				_, err := exec.LookPath(program)
				if err != nil && os.Getenv("FIRMUS_ALL_PARTS") == "1" {
					return false, fmt.Errorf("%s is not here", program)
				}
				return err != nil, nil
			}
			return false, fmt.Errorf("unknown condition %q", cond)
		},
		Cmds: map[string]func(*testscript.TestScript, bool, []string){
			"wave":   cmdWave,
			"sample": cmdSample,
			"flip":   cmdFlip,
			"age":    cmdAge,
			"exits":  cmdExits,
			"json":   cmdJSON,
			"trees":  cmdTrees,
			"touch":  cmdTouch,
			"copy":   cmdCopy,
			"append": cmdAppend,
			"subst":  cmdSubst,
			"remove": cmdRemove,
			"count":  cmdCount,
			"found":  cmdFound,
			"sums":   cmdSums,
			"head":   cmdHead,
			"join":   cmdJoin,
			"show":   cmdShow,
			"get":    cmdGet,
			"within": cmdWithin,
			"await":  cmdAwait,
			"hup":    cmdHup,
			"sql":    cmdSQL,
			"premis": cmdPremis,

			"hardlink":  cmdHardlink,
			"show_all":  cmdShowAll,
			"interrupt": cmdInterrupt,

			"sound":     cmdSound,
			"audiodisc": cmdAudioDisc,
			"datadisc":  cmdDataDisc,
			"image":     cmdImage,
			"scratch":   cmdScratch,
			"guide":     cmdGuide,
			"waves":     cmdWaves,
			// mail: starts a server that takes letters, at $MAIL.
			"mail":    func(ts *testscript.TestScript, _ bool, _ []string) { ts.Setenv("MAIL", mailtest.Start(t, nil).Addr) },
			"shorten": cmdShorten,
		},
	})
}

// wave FILE SIZE: writes a whole recording of SIZE bytes that depend on the file's name
// only.
func cmdWave(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: wave FILE SIZE")
	}
	size, err := strconv.Atoi(args[1])
	ts.Check(err)
	putOld(ts, args[0], testdata.Wave(filepath.Base(args[0]), size))
}

// putOld writes a file that has been at rest for a month.
func putOld(ts *testscript.TestScript, name string, b []byte) {
	path := ts.MkAbs(name)
	ts.Check(os.MkdirAll(filepath.Dir(path), 0o755))
	ts.Check(os.WriteFile(path, b, 0o644))
	at := time.Now().Add(-30 * 24 * time.Hour)
	ts.Check(os.Chtimes(path, at, at))
}

// sample FILE SAMPLE: writes one of the samples that packages share.
func cmdSample(ts *testscript.TestScript, _ bool, args []string) {
	b, err := fs.ReadFile(testdata.Files(), args[1])
	ts.Check(err)
	putOld(ts, args[0], b)
}

// flip FILE OFFSET: turns one bit over and leaves size and times alone.
func cmdFlip(ts *testscript.TestScript, _ bool, args []string) {
	path := ts.MkAbs(args[0])
	off, err := strconv.Atoi(args[1])
	ts.Check(err)
	st, err := os.Stat(path)
	ts.Check(err)
	b, err := os.ReadFile(path)
	ts.Check(err)
	b[off] ^= 1
	ts.Check(os.WriteFile(path, b, 0o644))
	ts.Check(os.Chtimes(path, st.ModTime(), st.ModTime()))
}

// sql FILE STATEMENT: changes one row or more of a ledger past the program.
func cmdSQL(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 {
		ts.Fatalf("usage: sql FILE STATEMENT")
	}
	db, err := sql.Open("sqlite", "file:"+filepath.ToSlash(ts.MkAbs(args[0]))+"?_pragma=busy_timeout(5000)")
	ts.Check(err)
	defer db.Close()
	r, err := db.Exec(args[1])
	ts.Check(err)
	if n, err := r.RowsAffected(); err != nil || n == 0 {
		ts.Fatalf("%s: it changed %d rows, %v", args[1], n, err)
	}
}

// age FILE DURATION: the file was last changed so long ago.
func cmdAge(ts *testscript.TestScript, _ bool, args []string) {
	d, err := time.ParseDuration(args[1])
	ts.Check(err)
	at := time.Now().Add(-d)
	ts.Check(os.Chtimes(ts.MkAbs(args[0]), at, at))
}

// touch FILE: the file was changed just now.
func cmdTouch(ts *testscript.TestScript, _ bool, args []string) {
	now := time.Now()
	ts.Check(os.Chtimes(ts.MkAbs(args[0]), now, now))
}

// exits STATUS COMMAND…: runs the command and asks for just that exit status. Its
// output can be looked at with stdout and stderr.
func cmdExits(ts *testscript.TestScript, _ bool, args []string) {
	want, err := strconv.Atoi(args[0])
	ts.Check(err)
	err = ts.Exec(args[1], args[2:]...)
	got := 0
	if err != nil {
		_, text, ok := strings.Cut(err.Error(), "exit status ")
		if !ok {
			ts.Fatalf("%v: %v", args[1:], err)
		}
		if got, err = strconv.Atoi(text); err != nil {
			ts.Fatalf("%v: %v", args[1:], err)
		}
	}
	if got != want {
		ts.Fatalf("%v: exit status %d, want %d\nstdout:\n%s\nstderr:\n%s", args[1:], got, want, ts.ReadFile("stdout"), ts.ReadFile("stderr"))
	}
}

// json PATH WANT: the value at a path of the last stdout, as JSON. PATH is names and
// numbers divided by dots; "#" at its end is the number of elements; "*" gathers a
// value of every element.
func cmdJSON(ts *testscript.TestScript, neg bool, args []string) {
	var doc any
	dec := json.NewDecoder(strings.NewReader(ts.ReadFile("stdout")))
	dec.UseNumber()
	if err := dec.Decode(&doc); err != nil {
		ts.Fatalf("stdout is no JSON document: %v", err)
	}
	if dec.More() {
		ts.Fatalf("stdout holds more than one JSON document")
	}
	got, err := lookup(doc, strings.Split(args[0], "."))
	ts.Check(err)
	var b bytes.Buffer
	enc := json.NewEncoder(&b)
	enc.SetEscapeHTML(false)
	ts.Check(enc.Encode(got))
	if have := strings.TrimSpace(b.String()); (have == args[1]) == neg {
		ts.Fatalf("%s is %s, want %s (negated: %v)\n%s", args[0], have, args[1], neg, ts.ReadFile("stdout"))
	}
}

func lookup(v any, path []string) (any, error) {
	for i, p := range path {
		switch x := v.(type) {
		case map[string]any:
			y, ok := x[p]
			if !ok {
				return nil, fmt.Errorf("no %q in %v", p, x)
			}
			v = y
		case []any:
			if p == "#" {
				return len(x), nil
			}
			if p == "*" {
				out := []any{}
				for _, e := range x {
					y, err := lookup(e, path[i+1:])
					if err != nil {
						return nil, err
					}
					out = append(out, y)
				}
				return out, nil
			}
			n, err := strconv.Atoi(p)
			if err != nil || n >= len(x) {
				return nil, fmt.Errorf("no element %q of %d", p, len(x))
			}
			v = x[n]
		default:
			return nil, fmt.Errorf("nothing below %q", p)
		}
	}
	return v, nil
}

// trees DIR: makes a studio with a vault that agrees, and firmus.toml, in DIR.
func cmdTrees(ts *testscript.TestScript, _ bool, args []string) {
	dir := args[0]
	for _, store := range []string{"studio", "vault"} {
		for i, f := range []string{"masters/QV-0107/QV-0107_A.wav", "masters/QV-0107/QV-0107_B.wav", "masters/QV-0108/QV-0108_A.wav", "access/QV-0107/QV-0107_A_01.wav"} {
			cmdWave(ts, false, []string{filepath.Join(dir, store, f), strconv.Itoa(200_000 + i*1000)})
		}
	}
	// A copy program keeps the times.
	for _, f := range []string{"masters/QV-0107/QV-0107_A.wav", "masters/QV-0107/QV-0107_B.wav", "masters/QV-0108/QV-0108_A.wav", "access/QV-0107/QV-0107_A_01.wav"} {
		st, err := os.Stat(filepath.Join(ts.MkAbs(dir), "studio", f))
		ts.Check(err)
		ts.Check(os.Chtimes(filepath.Join(ts.MkAbs(dir), "vault", f), st.ModTime(), st.ModTime()))
	}
	ts.Check(os.WriteFile(filepath.Join(ts.MkAbs(dir), "firmus.toml"), []byte(treesConfig), 0o644))
}

// studioConfig is an archive with one store, in the folder studio; tests add to it.
const studioConfig = `name = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[store.studio]
kind = "disk"
arrivals = true
sets = { masters = "studio" }
`

const treesConfig = `name  = "Quillmere Valley Song Survey"
state = "state"
[set.masters]
role = "master"
[set.access]
role = "access"
editing = "3d"
[store.studio]
kind = "disk"
arrivals = true
place = "Studio, room 12"
sets = { masters = "studio/masters", access = "studio/access" }
[store.vault]
kind = "disk"
own_drive = true
place = "Safe, town hall"
sets = { masters = "vault/masters", access = "vault/access" }
`
