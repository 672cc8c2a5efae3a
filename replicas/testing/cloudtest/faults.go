package cloudtest

import (
	"context"
	"errors"
	"io"
	"maps"
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/webtest"
)

// Seen is all that an audit sees of a set: the bytes of its files by their paths, and the
// first error.
func Seen(f *cloud.Folder) (map[string]string, error) {
	ctx := context.Background()
	all := map[string]string{}
	shards, err := f.Shards(ctx)
	if err != nil {
		return all, err
	}
	for _, shard := range shards {
		for e, err := range f.List(ctx, shard) {
			if err != nil {
				return all, err
			}
			now, err := f.Stat(ctx, e.Path)
			if err != nil {
				return all, err
			}
			b, err := Whole(f, now, 0)
			if err != nil {
				return all, err
			}
			all[e.Path] = string(b)
		}
	}
	return all, nil
}

// Whole is the bytes of a file from offset on.
func Whole(f *cloud.Folder, e fixity.Entry, offset int64) ([]byte, error) {
	r, err := f.Open(context.Background(), e, offset)
	if err != nil {
		return nil, err
	}
	defer r.Close()
	return io.ReadAll(r)
}

// Small is a store of three files behind a gate, all the same for each kind of service.
type Small struct {
	Gate  *webtest.Gate
	Store *cloud.Store
	Set   *cloud.Folder
	Clock *Clock
	// Put, Remove: the file at a path of the set, behind the store's back.
	Put    func(path, data string)
	Remove func(path string)
	// Untagged: bytes without an ETag are believed while the version stays the same.
	Untagged bool
	// Rot turns bytes behind the back of the service, which goes on saying what it said; nil
	// if that can't be done.
	Rot func(path string, at int64)
}

// Files are what a Small holds.
func Files() map[string]string {
	return map[string]string{"QV-0107/a.wav": "one", "QV-0107/b/c.wav": "two", "d.wav": "sixteen bytes :)"}
}

const page = "<html><title>Sign in</title><body><p>Welcome to our network</body></html>"

// Faults holds a kind of service against all that can happen on the way to it: an audit
// sees all, or says that it doesn't; never that a file is gone, and never other bytes
// without an error.
func Faults(t *testing.T, make func(t *testing.T) *Small) {
	html := http.Header{"Content-Type": {"text/html"}}
	for name, c := range map[string]struct {
		fault webtest.Fault
		once  bool // it passes by itself
	}{
		"an outage":                {webtest.Fault{Status: 503}, true},
		"a page instead":           {webtest.Fault{Status: 502, Header: html, Body: page}, true},
		"a page, all well":         {webtest.Fault{Status: 200, Header: html, Body: page}, true},
		"an empty answer":          {webtest.Fault{Status: 200}, true},
		"too many calls":           {webtest.Fault{Status: 429, Header: http.Header{"Retry-After": {"3"}}}, true},
		"no answer":                {webtest.Fault{Drop: true}, true},
		"outage for good":          {webtest.Fault{Status: 503, Count: -1}, false},
		"a page for good":          {webtest.Fault{Status: 200, Header: html, Body: page, Count: -1}, false},
		"no answer at all":         {webtest.Fault{Drop: true, Count: -1}, false},
		"shut out":                 {webtest.Fault{Status: 401, Count: -1}, false},
		"nothing is there at all":  {webtest.Fault{Status: 404, Count: -1}, false},
		"sent elsewhere":           {webtest.Fault{Status: 302, Count: -1, Header: http.Header{"Location": {"http://127.0.0.1:1/?key=secret"}}}, false},
		"each answer is cut short": {webtest.Fault{Cut: 1, Short: true, Count: -1}, false},
	} {
		t.Run(name, func(t *testing.T) {
			for k := 0; ; k++ {
				s := make(t)
				s.Gate.Reset()
				c.fault.Skip = k
				s.Gate.Inject(c.fault)
				got, err := Seen(s.Set)
				met := len(s.Gate.Calls()) > k
				switch {
				case c.once && (err != nil || !maps.Equal(got, Files())):
					t.Errorf("call %d: %v, %v", k, got, err)
				case !c.once && met && err == nil && !maps.Equal(got, Files()):
					t.Errorf("call %d: %v without an error", k, got)
				case !c.once && met && (errors.Is(err, fixity.ErrVanished) && c.fault.Status != 404 || errors.Is(err, fixity.ErrChanged)):
					t.Errorf("call %d: %v", k, err)
				case err != nil && strings.Contains(err.Error(), "secret"):
					t.Errorf("call %d: %v", k, err)
				}
				if !met {
					if err != nil || k < 8 {
						t.Errorf("after %d calls, none of which failed: %v, %v", k, got, err)
					}
					break
				}
			}
		})
	}
	t.Run("a lost listing never loses a file", func(t *testing.T) { lost(t, make) })
	t.Run("a read is taken up again", func(t *testing.T) { resumed(t, make) })
	t.Run("bytes are of the version", func(t *testing.T) { tied(t, make) })
	t.Run("refused one, refused all", func(t *testing.T) { refused(t, make) })
	t.Run("a change shows", func(t *testing.T) { changes(t, make) })
	t.Run("each byte that is wrong shows", func(t *testing.T) { rots(t, make) })
}

// lost: after a good listing one that shows less isn't believed, unless the file is gone.
func lost(t *testing.T, make func(t *testing.T) *Small) {
	ctx := context.Background()
	s := make(t)
	if _, err := Seen(s.Set); err != nil {
		t.Fatal(err)
	}
	for name, f := range map[string]webtest.Fault{
		"a page":    {Status: 200, Header: http.Header{"Content-Type": {"text/html"}}, Body: page, Count: -1},
		"nothing":   {Status: 200, Count: -1},
		"not found": {Status: 404, Count: -1},
		"half":      {Count: -1, Change: func(_ *http.Response, b []byte) []byte { return b[:len(b)*2/3] }},
	} {
		s.Gate.Inject(f)
		if _, err := s.Set.Identify(ctx); !errors.Is(err, fixity.ErrAway) {
			t.Errorf("%s: the store isn't away: %v", name, err)
		}
		if _, err := s.Set.Confirm(ctx, []cloud.Lost{{Path: "d.wav"}}); err == nil {
			t.Errorf("%s: a file was found to be gone", name)
		}
		if err := s.Store.Refresh(ctx); err == nil {
			t.Errorf("%s: it was taken for a listing", name)
		}
		s.Gate.Heal()
	}
	s.Remove("d.wav")
	if err := s.Store.Refresh(ctx); err != nil {
		t.Fatal(err)
	}
	found, err := s.Set.Confirm(ctx, []cloud.Lost{{Path: "d.wav"}, {Path: "QV-0107/a.wav"}})
	if err != nil || len(found) != 2 || found[0].Fate == cloud.IsThere || found[1].Fate != cloud.IsThere {
		t.Errorf("%+v, %v", found, err)
	}
}

// resumed: a transfer that breaks off goes on where it stopped, of the same file only.
func resumed(t *testing.T, make func(t *testing.T) *Small) {
	s := make(t)
	ctx := context.Background()
	e, err := s.Set.Stat(ctx, "d.wav")
	if err != nil {
		t.Fatal(err)
	}
	get := func(r *http.Request) bool { return r.Method == http.MethodGet && r.Header.Get("Range") != "" }
	for _, f := range []webtest.Fault{{Cut: 5, Short: true}, {Cut: 3}, {Drop: true}, {Status: 503}} {
		f.Match = get
		s.Gate.Inject(f)
		s.Gate.Reset()
		if b, err := Whole(s.Set, e, 0); err != nil || string(b) != "sixteen bytes :)" {
			t.Errorf("%+v: %q, %v", f, b, err)
		}
		ranges := ""
		for _, h := range s.Gate.Headers() {
			ranges += h.Get("Range") + " "
		}
		if f.Cut == 5 && !strings.Contains(ranges, "bytes=0-15 bytes=5-15") && !strings.Contains(ranges, "bytes=0-15  bytes=5-15") {
			t.Errorf("%q", ranges)
		}
	}
	if s.Untagged { // and it is another file's, with nothing that says so
		s.Gate.Inject(webtest.Fault{Match: get, Hook: func() { s.Clock.Add(2 * time.Second); s.Put("d.wav", "sixteen bytes :(") },
			Change: func(r *http.Response, b []byte) []byte { r.Header.Del("ETag"); r.Header.Del("Last-Modified"); return b }})
		if b, err := Whole(s.Set, e, 0); !errors.Is(err, fixity.ErrChanged) {
			t.Errorf("another version: %q, %v", b, err)
		}
		s.Put("d.wav", "sixteen bytes :)")
		if e, err = s.Set.Stat(ctx, "d.wav"); err != nil {
			t.Fatal(err)
		}
	}
	s.Gate.Inject(webtest.Fault{Match: get, Cut: 5, Short: true, Hook: func() { s.Clock.Add(2 * time.Second); s.Put("d.wav", "other bytes now!") }})
	if b, err := Whole(s.Set, e, 0); !errors.Is(err, fixity.ErrChanged) && !errors.Is(err, fixity.ErrUnreadable) {
		t.Errorf("bytes of two files were joined: %q, %v", b, err)
	}
}

// tied: bytes are believed of the version that was asked for alone, and of that one whatever
// the uploader said that they are. An answer that can't be right ends the reading of its file
// and of no other.
func tied(t *testing.T, make func(t *testing.T) *Small) {
	ctx := context.Background()
	for name, c := range map[string]struct {
		change func(http.Header)
		right  bool
	}{
		"another's":                     {func(h http.Header) { h.Set("ETag", `"another"`) }, false},
		"nobody's":                      {func(h http.Header) { h.Del("ETag") }, false},
		"others than said":              {func(h http.Header) { h.Set("Content-Range", "bytes 1-15/16") }, false},
		"for a moment weak":             {func(h http.Header) { h.Set("ETag", "W/"+strings.TrimPrefix(h.Get("ETag"), "W/")) }, true},
		"a page by its uploader's word": {func(h http.Header) { h.Set("Content-Type", "text/html") }, true},
	} {
		s := make(t)
		c.right = c.right || s.Untagged && name == "nobody's"
		e, err := s.Set.Stat(ctx, "d.wav")
		if err != nil {
			t.Fatal(err)
		}
		f := webtest.Fault{
			Match:  func(r *http.Request) bool { return r.Method == http.MethodGet && r.Header.Get("Range") != "" },
			Change: func(r *http.Response, b []byte) []byte { c.change(r.Header); return b },
		}
		s.Gate.Inject(f)
		if b, err := Whole(s.Set, e, 0); err != nil || string(b) != "sixteen bytes :)" {
			t.Errorf("%s, once: %q, %v", name, b, err)
		}
		f.Count = -1
		s.Gate.Inject(f)
		switch b, err := Whole(s.Set, e, 0); {
		case c.right && (err != nil || string(b) != "sixteen bytes :)"):
			t.Errorf("%s: %q, %v", name, b, err)
		case !c.right && (err == nil || len(b) > 0 || errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrUnreadable)):
			t.Errorf("%s: %q, %v", name, b, err)
		}
	}
}

// refused: a credential that is refused of all says nothing of a file, and one that is refused
// of a file nothing of the others.
func refused(t *testing.T, make func(t *testing.T) *Small) {
	s := make(t)
	if _, err := Seen(s.Set); err != nil {
		t.Fatal(err)
	}
	for _, all := range []bool{false, true} {
		s.Gate.Heal()
		s.Gate.Inject(webtest.Fault{Status: 403, Count: -1, Match: func(r *http.Request) bool { return all || strings.HasSuffix(r.URL.Path, "/d.wav") }})
		if _, err := s.Set.Stat(context.Background(), "d.wav"); err == nil || errors.Is(err, fixity.ErrAway) != all || errors.Is(err, fixity.ErrDenied) == all {
			t.Errorf("all %v: %v", all, err)
		}
	}
}

// changes: each exchange of bytes shows in a file's entry.
func changes(t *testing.T, make func(t *testing.T) *Small) {
	s := make(t)
	before, err := s.Set.Stat(context.Background(), "d.wav")
	if err != nil {
		t.Fatal(err)
	}
	s.Clock.Add(2 * time.Second)
	s.Put("d.wav", "other bytes now!")
	after, err := s.Set.Stat(context.Background(), "d.wav")
	if err != nil || after.InodeAt() == before.InodeAt() {
		t.Errorf("%+v\n%+v, %v", before, after, err)
	}
}

func rots(t *testing.T, make func(t *testing.T) *Small) {
	s := make(t)
	if s.Rot == nil {
		t.Skip("nothing turns behind this service's back")
	}
	e, err := s.Set.Stat(context.Background(), "d.wav")
	if err != nil {
		t.Fatal(err)
	}
	for k := range e.Size {
		s.Rot("d.wav", k)
		if got, err := Whole(s.Set, e, 0); err != nil || string(got) == "sixteen bytes :)" {
			t.Errorf("byte %d: %q, %v", k, got, err)
		}
		s.Rot("d.wav", k)
	}
}
