package replicatest

import (
	"context"
	"errors"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
)

func emptyRoot(t *testing.T, h Harness) {
	f := h.New(t, nil)
	id, err := f.Store.Identify(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	if !id.Empty {
		t.Error("a root without files is not empty")
	}
	want(t, f.Store, nil)

	f = h.New(t, map[string]string{"QV-0107.wav": "x"})
	if id, err = f.Store.Identify(context.Background()); err != nil {
		t.Fatal(err)
	}
	if id.Empty {
		t.Error("a root with a file is empty")
	}
}

// sortedWalk has names that come in another order if folders are walked by the
// names of their folders: "a/b" is after "a-b" and before "a0".
func sortedWalk(t *testing.T, h Harness) {
	files := map[string]string{
		"QV-0107/a/b": "1", "QV-0107/a-b": "22", "QV-0107/a.b/c": "333", "QV-0107/a0": "4444", "QV-0107/a/b-c/d": "55555",
		"QV-0107/a/b.c": "", "QV-0107/a/z": "7", "QV-0107/A": "8", "a-b/x": "9", "a/x": "10", "a.wav": "11", "z.wav": "12",
	}
	s := h.New(t, files).Store
	first := want(t, s, files)
	for path, e := range want(t, s, files) { // a second walk shows the same
		if e != first[path] && !e.ModTime.Equal(first[path].ModTime) {
			t.Errorf("%q: %v, and %v the second time", path, first[path], e)
		}
	}
}

// OddNames are names that files have, and programs stumble over.
var OddNames = []string{
	" leading blank", "trailing blank ", "two  blanks", "line\nfeed", "carriage\rreturn", "per%cent%0A", "#hash", "quote\"'`",
	"back\\slash", "*?[glob]", "-dash", "~tilde", "...", "colon:", "tab\there", "e\u0301.wav", "\u00e9.wav", "Case.wav", "case.wav",
	"\xff\xfe not UTF-8", "\u202eright to left", "emoji \U0001f3bb", strings.Repeat("n", 255), strings.Repeat("\u00fc", 127),
}

func oddNames(t *testing.T, h Harness) {
	files := map[string]string{}
	for _, name := range OddNames {
		if h.Holds == nil || h.Holds(name) {
			files[name] = "in the root: " + name
			files["folder "+name[:min(len(name), 200)]+"/"+name] = "in a folder: " + name
		}
	}
	if len(files) == 0 {
		t.Fatal("the medium holds none of the names")
	}
	s := h.New(t, files).Store
	for path, e := range want(t, s, files) {
		if got, err := read(s, e, 0); err != nil || got != files[path] {
			t.Errorf("%q holds %q, %v", path, got, err)
		}
	}
}

func shards(t *testing.T, h Harness) {
	s := h.New(t, map[string]string{"QV-0107/a.wav": "1", "QV-0108/a.wav": "2", "list.txt": "3"}).Store
	for e, err := range s.List(context.Background(), "QV-0199") {
		t.Errorf("a shard that isn't there shows %v, %v", e, err)
	}
}

func stoppedWalk(t *testing.T, h Harness) {
	s := h.New(t, map[string]string{"a/1": "1", "a/2/3": "2", "a/4": "3", "b": "4"}).Store
	names, err := s.Shards(context.Background())
	if err != nil {
		t.Fatal(err)
	}
	steps := 0
	for _, name := range names {
		for _, err := range s.List(context.Background(), name) {
			if err != nil {
				t.Fatal(err)
			}
			steps++
			break
		}
	}
	if steps == 0 {
		t.Error("no shard shows anything")
	}
}

func missingIsNotAway(t *testing.T, h Harness) {
	s := h.New(t, map[string]string{"a.wav": "1"}).Store
	for _, path := range []string{"b.wav", "none/b.wav", "a.wav/b.wav"} {
		_, err := s.Open(context.Background(), fixity.Entry{Path: path}, 0)
		if !errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrAway) {
			t.Errorf("open %q: %v, want vanished and nothing else", path, err)
		}
	}
}

func awayIsNotMissing(t *testing.T, h Harness) {
	f := h.New(t, map[string]string{"a.wav": "1"})
	needs(t, f.Hide != nil, "hidden")
	e := one(t, f.Store)
	f.Hide(t)
	ctx := context.Background()
	_, identify := f.Store.Identify(ctx)
	_, shards := f.Store.Shards(ctx)
	_, open := read(f.Store, e, 0)
	var list error
	for e, err := range f.Store.List(ctx, "") {
		if err == nil {
			t.Errorf("a store that is away shows %v", e)
		}
		list = err
	}
	for name, err := range map[string]error{"Identify": identify, "Shards": shards, "Open": open, "List": list} {
		if !errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrUnreadable) {
			t.Errorf("%s: %v, want away and nothing else", name, err)
		}
	}
}

func links(t *testing.T, h Harness) {
	f := h.New(t, map[string]string{"QV-0107/a.wav": "1", "QV-0107/sub/b.wav": "2"})
	needs(t, f.Link != nil, "linked")
	f.Link(t, "QV-0107/file link", "QV-0107/a.wav")
	f.Link(t, "QV-0107/folder link", "QV-0107/sub")
	f.Link(t, "root link", "QV-0107")
	notFiles(t, f.Store, fixity.Link, []string{"QV-0107/file link", "QV-0107/folder link", "root link"}, 2)
	_, err := f.Store.Open(context.Background(), fixity.Entry{Path: "QV-0107/folder link/b.wav"}, 0)
	if !errors.Is(err, fixity.ErrVanished) {
		t.Errorf("a file behind a link: %v, want vanished", err)
	}
}

func specialFiles(t *testing.T, h Harness) {
	f := h.New(t, map[string]string{"QV-0107/a.wav": "1"})
	needs(t, f.Special != nil, "made that is no file")
	f.Special(t, "QV-0107/special")
	f.Special(t, "special")
	notFiles(t, f.Store, fixity.Special, []string{"QV-0107/special", "special"}, 1)
}

// notFiles wants paths shown as typ, never opened, and files others.
func notFiles(t *testing.T, s Store, typ fixity.Type, paths []string, files int) {
	t.Helper()
	all, err := All(t, s)
	if err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, e := range all {
		if e.Type == fixity.File {
			files--
			continue
		}
		got = append(got, e.Path)
		if e.Type != typ {
			t.Errorf("%q has type %v, want %v", e.Path, e.Type, typ)
		}
		if r, err := s.Open(context.Background(), e, 0); err == nil {
			r.Close()
			t.Errorf("%q was opened", e.Path)
		}
		e.Type = fixity.File // and not either when it took the place of a file
		if r, err := s.Open(context.Background(), e, 0); err == nil {
			r.Close()
			t.Errorf("%q was opened as a file", e.Path)
		}
	}
	slices.Sort(got)
	if !slices.Equal(got, paths) || files != 0 {
		t.Errorf("shown as other than files: %q, want %q; %d files too few", got, paths, files)
	}
}

func incompleteListing(t *testing.T, h Harness) {
	f := h.New(t, map[string]string{"QV-0107/a.wav": "1", "QV-0107/b/c.wav": "2", "QV-0107/d.wav": "3"})
	needs(t, f.Deny != nil, "hidden in part")
	f.Deny(t, "QV-0107/b")
	all, err := All(t, f.Store)
	if !errors.Is(err, fixity.ErrIncomplete) || errors.Is(err, fixity.ErrAway) {
		t.Errorf("%v, want incomplete and not away", err)
	} else if !strings.Contains(err.Error(), "QV-0107/b") {
		t.Errorf("%v: doesn't name what wasn't seen", err)
	}
	var got []string
	for _, e := range all {
		got = append(got, e.Path)
	}
	if want := []string{"QV-0107/a.wav", "QV-0107/d.wav"}; !slices.Equal(got, want) {
		t.Errorf("shown: %q, want %q", got, want)
	}
}
