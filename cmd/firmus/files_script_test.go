package main

import (
	"crypto/sha256"
	"encoding/json"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"strconv"
	"strings"
	"time"

	"github.com/rogpeppe/go-internal/testscript"
)

// What scripts do to files is done here, not by programs of one system: they run on Windows,
// too.

// matching are the files and folders that patterns name (filepath.Match), in order.
func matching(ts *testscript.TestScript, patterns []string) (out []string) {
	for _, p := range patterns {
		found, err := filepath.Glob(ts.MkAbs(p))
		ts.Check(err)
		out = append(out, found...)
	}
	return out
}

// copy FROM… TO: copies files, and folders with all that lies in them, with modes and times.
// Into TO if that is a folder. FROM may be a pattern.
func cmdCopy(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: copy FROM... TO")
	}
	to := ts.MkAbs(args[len(args)-1])
	all := matching(ts, args[:len(args)-1])
	if len(all) < len(args)-1 {
		ts.Fatalf("not all of %s is there", args[:len(args)-1])
	}
	for _, from := range all {
		at := to
		if fi, err := os.Stat(to); err == nil && fi.IsDir() {
			at = filepath.Join(to, filepath.Base(from))
		}
		ts.Check(copyTree(from, at))
	}
}

// copyTree copies what lies at from to to.
func copyTree(from, to string) error {
	fi, err := os.Lstat(from)
	if err != nil {
		return err
	}
	switch {
	case fi.Mode()&fs.ModeSymlink != 0:
		target, err := os.Readlink(from)
		if err != nil {
			return err
		}
		return os.Symlink(target, to)
	case fi.IsDir():
		if err := os.MkdirAll(to, 0o777); err != nil {
			return err
		}
		entries, err := os.ReadDir(from)
		if err != nil {
			return err
		}
		for _, e := range entries {
			if err := copyTree(filepath.Join(from, e.Name()), filepath.Join(to, e.Name())); err != nil {
				return err
			}
		}
	default:
		if err := copyFile(from, to); err != nil {
			return err
		}
	}
	if err := os.Chmod(to, fi.Mode().Perm()); err != nil {
		return err
	}
	return os.Chtimes(to, time.Time{}, fi.ModTime())
}

func copyFile(from, to string) error {
	r, err := os.Open(from)
	if err != nil {
		return err
	}
	defer r.Close()
	w, err := os.Create(to)
	if err != nil {
		return err
	}
	if _, err := io.Copy(w, r); err != nil {
		w.Close()
		return err
	}
	return w.Close()
}

// append FILE TEXT: adds the text, in which \n and the like stand for what they do in Go.
func cmdAppend(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: append FILE TEXT")
	}
	text, err := strconv.Unquote(`"` + strings.ReplaceAll(args[1], `"`, `\"`) + `"`)
	ts.Check(err)
	f, err := os.OpenFile(ts.MkAbs(args[0]), os.O_APPEND|os.O_WRONLY, 0)
	ts.Check(err)
	_, err = f.WriteString(text)
	ts.Check(err)
	ts.Check(f.Close())
}

// subst FILE PATTERN TEXT: puts the text wherever the pattern, a regular expression, is found;
// it has to be found.
func cmdSubst(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: subst FILE PATTERN TEXT")
	}
	pattern, err := regexp.Compile(args[1])
	ts.Check(err)
	file := ts.MkAbs(args[0])
	was, err := os.ReadFile(file)
	ts.Check(err)
	if !pattern.Match(was) {
		ts.Fatalf("%s has no %s", args[0], args[1])
	}
	ts.Check(os.WriteFile(file, pattern.ReplaceAll(was, []byte(args[2])), 0o666))
}

// remove PATTERN…: removes what the patterns name, which has to be there.
func cmdRemove(ts *testscript.TestScript, neg bool, args []string) {
	all := matching(ts, args)
	if neg || len(all) == 0 {
		ts.Fatalf("usage: remove PATTERN..., of what is there: %s", args)
	}
	for _, name := range all {
		ts.Check(os.RemoveAll(name))
	}
}

// count N PATTERN…: so many files and folders have such names.
func cmdCount(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: count N PATTERN...")
	}
	if all := matching(ts, args[1:]); strconv.Itoa(len(all)) != args[0] {
		ts.Fatalf("there are %d, want %s: %s", len(all), args[0], all)
	}
}

// found REGEXP PATTERN…: one of the files that the patterns name has the text.
func cmdFound(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: found REGEXP PATTERN...")
	}
	text, err := regexp.Compile("(?m)" + args[0])
	ts.Check(err)
	all := matching(ts, args[1:])
	for _, name := range all {
		b, err := os.ReadFile(name)
		ts.Check(err)
		if text.Match(b) {
			return
		}
	}
	ts.Fatalf("%s is in none of %s", args[0], all)
}

// sums OUT PATTERN…: writes the SHA-256 of each file that the patterns name, or that lies below
// what they name, as sha256sum does.
func cmdSums(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: sums OUT PATTERN...")
	}
	var out strings.Builder
	for _, top := range matching(ts, args[1:]) {
		ts.Check(filepath.WalkDir(top, func(name string, d fs.DirEntry, err error) error {
			if err != nil || d.IsDir() {
				return err
			}
			b, err := os.ReadFile(name)
			if err != nil {
				return err
			}
			rel, err := filepath.Rel(ts.MkAbs("."), name)
			fmt.Fprintf(&out, "%x  %s\n", sha256.Sum256(b), filepath.ToSlash(rel))
			return err
		}))
	}
	if out.Len() == 0 {
		ts.Fatalf("no files: %s", args[1:])
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(out.String()), 0o666))
}

// hardlink OLD NEW: gives a file a second name, in the place of what has it.
func cmdHardlink(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 2 {
		ts.Fatalf("usage: hardlink OLD NEW")
	}
	ts.Check(os.RemoveAll(ts.MkAbs(args[1])))
	ts.Check(os.Link(ts.MkAbs(args[0]), ts.MkAbs(args[1])))
}

// head FILE LINES OUT: writes the first lines of a file to another.
func cmdHead(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 3 {
		ts.Fatalf("usage: head FILE LINES OUT")
	}
	n, err := strconv.Atoi(args[1])
	ts.Check(err)
	lines := strings.SplitAfter(ts.ReadFile(args[0]), "\n")
	if n >= len(lines) {
		ts.Fatalf("%s has no %d lines", args[0], n)
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[2]), []byte(strings.Join(lines[:n], "")), 0o666))
}

// join OUT FILE…: writes what the files hold, one after another.
func cmdJoin(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: join OUT FILE...")
	}
	var all strings.Builder
	for _, name := range args[1:] {
		all.WriteString(ts.ReadFile(name))
	}
	ts.Check(os.WriteFile(ts.MkAbs(args[0]), []byte(all.String()), 0o666))
}

// show FILE: puts what it holds where stdout and json look.
func cmdShow(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 1 {
		ts.Fatalf("usage: show FILE")
	}
	_, err := io.WriteString(ts.Stdout(), ts.ReadFile(args[0]))
	ts.Check(err)
}

// show_all: shows every finding, settled or not, one after the other.
func cmdShowAll(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) != 0 {
		ts.Fatalf("usage: show_all")
	}
	ts.Check(ts.Exec("firmus", "--json", "findings", "list", "--all"))
	var list struct{ Findings []struct{ ID int } }
	ts.Check(json.Unmarshal([]byte(ts.ReadFile("stdout")), &list))
	if len(list.Findings) == 0 {
		ts.Fatalf("there are no findings")
	}
	var all strings.Builder
	for _, f := range list.Findings {
		ts.Check(ts.Exec("firmus", "findings", "show", strconv.Itoa(f.ID)))
		all.WriteString(ts.ReadFile("stdout"))
	}
	_, err := io.WriteString(ts.Stdout(), all.String())
	ts.Check(err)
}
