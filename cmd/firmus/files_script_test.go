package main

import (
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

// copy FROM… TO: copies files, and folders with all that lies in them, with modes and times.
// Into TO if that is a folder.
func cmdCopy(ts *testscript.TestScript, neg bool, args []string) {
	if neg || len(args) < 2 {
		ts.Fatalf("usage: copy FROM... TO")
	}
	to := ts.MkAbs(args[len(args)-1])
	for _, from := range args[:len(args)-1] {
		from, at := ts.MkAbs(from), to
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
