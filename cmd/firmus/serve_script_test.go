package main

import (
	"fmt"
	"io"
	"math/rand/v2"
	"net"
	"net/http"
	"os"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"sync"
	"syscall"
	"testing"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// freePort is a port that nobody has just now, and that is given to nobody else: it
// lies below those that the kernel hands out (ip(7): 32768 and up), and no two calls
// get the same.
func freePort(t *testing.T) string {
	t.Helper()
	for range 1000 {
		port := 20_000 + rand.IntN(12_000)
		if _, given := givenPorts.LoadOrStore(port, true); given {
			continue
		}
		if l, err := net.Listen("tcp", "127.0.0.1:"+strconv.Itoa(port)); err == nil {
			_ = l.Close()
			return strconv.Itoa(port)
		}
	}
	t.Fatal("no port is free")
	return ""
}

var givenPorts sync.Map

// get URL STATUS [TEXT]: asks until it answers with just that status, and TEXT in it,
// for a minute. The answer can be looked at with stdout.
func cmdGet(ts *testscript.TestScript, _ bool, args []string) {
	if len(args) != 2 && len(args) != 3 {
		ts.Fatalf("usage: get URL STATUS [TEXT]")
	}
	got := ""
	for end := time.Now().Add(time.Minute); time.Now().Before(end); time.Sleep(50 * time.Millisecond) {
		res, err := http.Get(args[0])
		if err != nil {
			got = err.Error()
			continue
		}
		body, err := io.ReadAll(res.Body)
		res.Body.Close()
		if err == nil && strconv.Itoa(res.StatusCode) == args[1] && (len(args) < 3 || strings.Contains(uncommented(string(body)), args[2])) {
			fmt.Fprint(ts.Stdout(), string(body))
			return
		}
		got = res.Status + " " + string(body)
	}
	ts.Fatalf("%s: %s", args[0], got)
}

// uncommented leaves out the lines that explain metrics: an explanation that begins
// with a number looks like a value.
func uncommented(body string) string {
	lines := strings.SplitAfter(body, "\n")
	return strings.Join(slices.DeleteFunc(lines, func(l string) bool { return strings.HasPrefix(l, "#") }), "")
}

// within DURATION STATUS COMMAND…: runs the command again and again until it exits
// with just that status.
func cmdWithin(ts *testscript.TestScript, _ bool, args []string) {
	d, err := time.ParseDuration(args[0])
	ts.Check(err)
	got := "0"
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		got = "0"
		if err := ts.Exec(args[2], args[3:]...); err != nil {
			if _, got, _ = strings.Cut(err.Error(), "exit status "); got == "" {
				ts.Fatalf("%v: %v", args[2:], err)
			}
		}
		if got == args[1] {
			return
		}
	}
	ts.Fatalf("%v: exit status %s for %s, want %s", args[2:], got, d, args[1])
}

// await DURATION REGEXP COMMAND…: runs the command again and again until it exits with 0 and
// its output has the text.
func cmdAwait(ts *testscript.TestScript, _ bool, args []string) {
	d, err := time.ParseDuration(args[0])
	ts.Check(err)
	text, err := regexp.Compile("(?m)" + args[1])
	ts.Check(err)
	for end := time.Now().Add(d); time.Now().Before(end); time.Sleep(200 * time.Millisecond) {
		if err := ts.Exec(args[2], args[3:]...); err == nil && text.MatchString(ts.ReadFile("stdout")) {
			return
		}
	}
	ts.Fatalf("%v: no %s within %s", args[2:], args[1], d)
}

// hup LOCK: sends SIGHUP to the process that a lock file names.
func cmdHup(ts *testscript.TestScript, _ bool, args []string) {
	_, text, _ := strings.Cut(ts.ReadFile(args[0]), "process ")
	text, _, _ = strings.Cut(text, ",")
	pid, err := strconv.Atoi(text)
	ts.Check(err)
	p, err := os.FindProcess(pid)
	ts.Check(err)
	ts.Check(p.Signal(syscall.SIGHUP))
}
