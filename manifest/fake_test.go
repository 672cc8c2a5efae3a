package manifest_test

import (
	"context"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"encoding/hex"
	"errors"
	"fmt"
	"io"
	"iter"
	"maps"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/manifest"
)

// fake is a folder in memory. What lies there is text, or a type that is never
// to be opened; every Open is kept in opened.
type fake struct {
	files  map[string]string
	types  map[string]fixity.Type
	open   map[string]error // Open of the path fails with it
	read   map[string]error // reading the path fails with it, after the first half of the bytes
	list   map[string]error // listing the shard ends with it
	hidden map[string]bool  // not listed
	empty  []string         // shards with nothing in them
	opened []string
}

func (f *fake) paths() []string {
	all := slices.Collect(maps.Keys(f.files))
	for p := range f.types {
		if _, ok := f.files[p]; !ok {
			all = append(all, p)
		}
	}
	slices.Sort(all)
	return all
}

func (f *fake) Shards(context.Context) ([]string, error) {
	shards := slices.Concat([]string{""}, f.empty)
	for _, p := range f.paths() {
		if dir, _, ok := strings.Cut(p, "/"); ok && !slices.Contains(shards, dir) {
			shards = append(shards, dir)
		}
	}
	return shards, nil
}

func (f *fake) List(_ context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		for _, p := range f.paths() {
			dir, _, below := strings.Cut(p, "/")
			if below != (shard != "") || below && dir != shard || f.hidden[p] {
				continue
			}
			if !yield(fixity.Entry{Path: p, Size: int64(len(f.files[p])), Type: f.types[p]}, nil) {
				return
			}
		}
		if err := f.list[shard]; err != nil {
			yield(fixity.Entry{}, err)
		}
	}
}

func (f *fake) Open(_ context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	f.opened = append(f.opened, e.Path)
	text, ok := f.files[e.Path]
	switch {
	case f.open[e.Path] != nil:
		return nil, fmt.Errorf("open %q: %w", e.Path, f.open[e.Path])
	case !ok || f.types[e.Path] != fixity.File:
		return nil, errors.New("nothing that may be opened was opened: " + e.Path)
	}
	r := io.Reader(strings.NewReader(text[offset:]))
	if err := f.read[e.Path]; err != nil {
		r = io.MultiReader(strings.NewReader(text[offset:len(text)/2]), broken{err})
	}
	return reader{r}, nil
}

type broken struct{ err error }

func (b broken) Read([]byte) (int, error) { return 0, b.err }

type reader struct{ io.Reader }

func (reader) Close() error        { return nil }
func (reader) Cache() fixity.Cache { return fixity.Bypassed }

func sum(a fixity.Algorithm, text string) string {
	b := []byte(text)
	switch a {
	case fixity.MD5:
		s := md5.Sum(b)
		return hex.EncodeToString(s[:])
	case fixity.SHA1:
		s := sha1.Sum(b)
		return hex.EncodeToString(s[:])
	case fixity.SHA256:
		s := sha256.Sum256(b)
		return hex.EncodeToString(s[:])
	case fixity.SHA512:
		s := sha512.Sum512(b)
		return hex.EncodeToString(s[:])
	}
	panic("no digest by " + a)
}

// s256 is the SHA-256 of text.
func s256(text string) string { return sum(fixity.SHA256, text) }

// kinds is what a result says, a problem a line.
func kinds(r manifest.Result) []string {
	got := []string{}
	for _, p := range r.Problems {
		got = append(got, string(p.Kind)+" "+p.Path)
	}
	return got
}

func reasons(ws []manifest.Warning) []string {
	got := []string{}
	for _, w := range ws {
		got = append(got, string(w.Reason))
	}
	slices.Sort(got)
	return slices.Compact(got)
}

// verify verifies f and checks what must hold of every result.
func verify(t *testing.T, f *fake, o manifest.Options) (manifest.Result, error) {
	t.Helper()
	res, err := manifest.Verify(t.Context(), f, o)
	if res.Valid && (err != nil || len(res.Problems) > 0 || !res.Complete) {
		t.Errorf("valid in spite of %v, %v", err, res.Problems)
	}
	for _, p := range res.Problems {
		if p.Kind.Means() == "" {
			t.Errorf("kind %q means nothing", p.Kind)
		}
	}
	for _, w := range res.Warnings {
		if s := w.String(); s == "" || !strings.Contains(s, ": ") {
			t.Errorf("warning %+v is told as %q", w, s)
		}
	}
	return res, err
}
