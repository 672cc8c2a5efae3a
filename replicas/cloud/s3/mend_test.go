package s3_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/s3"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/s3test"
	"firmus/replicas/testing/webtest"
)

// noted is a network on which nothing is reached: it notes where calls go.
type noted struct{ host, signed string }

func (n *noted) RoundTrip(r *http.Request) (*http.Response, error) {
	n.host, n.signed = r.URL.Host, r.Header.Get("Authorization")
	return nil, errors.New("no network")
}

// TestEndpoints: at which address a bucket is asked for, and signed for which region.
func TestEndpoints(t *testing.T) {
	for _, c := range []struct{ endpoint, region, addressing, host, signed string }{
		{"https://s3.eu-central-1.amazonaws.com", "", "", "quillmere.s3.eu-central-1.amazonaws.com", "eu-central-1"},
		{"https://s3.eu-central-1.amazonaws.com", "eu-central-1", "path", "s3.eu-central-1.amazonaws.com", "eu-central-1"},
		{"https://s3.eu-central-1.amazonaws.com:443", "", "path", "s3.eu-central-1.amazonaws.com", "eu-central-1"},
		{"https://s3.amazonaws.com", "eu-west-2", "", "quillmere.s3.eu-west-2.amazonaws.com", "eu-west-2"},
		{"https://s3.example.org:443", "", "", "s3.example.org", "us-east-1"},
		{"https://s3.example.org:9000", "here-1", "", "s3.example.org:9000", "here-1"},
		{"https://s3.example.org:9000", "here-1", "host", "quillmere.s3.example.org:9000", "here-1"},
		{"http://127.0.0.1:80", "", "", "127.0.0.1", "us-east-1"},
		{"https://[2001:db8::1]:443", "", "", "[2001:db8::1]", "us-east-1"},
	} {
		n := &noted{}
		s, err := s3.Open(s3.Options{Endpoint: c.endpoint, Region: c.region, Addressing: c.addressing, Bucket: "quillmere", Credential: keyFile(t, "A", "word"), Now: time.Now, Transport: n})
		must(t, err)
		for what, call := range map[string]func() error{
			"list": func() error { _, err := s.Get(context.Background(), s.Root()); return err },
			"head": func() error { _, err := s.Get(context.Background(), "=a.wav"); return err },
			"read": func() error {
				_, err := s.Open(context.Background(), cloud.Item{ID: "=a.wav", Size: 3, Version: "e"}, 0)
				return err
			},
		} {
			*n = noted{}
			if err := call(); n.host != c.host || !strings.Contains(n.signed, "/"+c.signed+"/s3/") || err == nil || !strings.Contains(err.Error(), "not reached") {
				t.Errorf("%s of %s: at %q, %q, %v", what, c.endpoint, n.host, n.signed, err)
			}
		}
	}
}

// listing says that a request is for a page of all that lies in the folder.
func listing(r *http.Request) bool {
	q := r.URL.Query()
	return q.Get("list-type") == "2" && q.Get("delimiter") == "" && q.Get("max-keys") != "1"
}

// TestWrongListings: what a listing can't hold is told, in few words, and nothing is made of it.
func TestWrongListings(t *testing.T) {
	for name, c := range map[string][2]string{
		"a folder of another prefix": {"<Prefix>archive%2Fmasters%2F</Prefix></CommonPrefixes>", "<Prefix>a</Prefix></CommonPrefixes>"},
		"a folder that is none":      {"<Prefix>archive%2Fmasters%2F</Prefix></CommonPrefixes>", "<Prefix>archive%2Fmasters</Prefix></CommonPrefixes>"},
		"the folder itself":          {"<Prefix>archive%2Fmasters%2F</Prefix></CommonPrefixes>", "<Prefix>archive%2F</Prefix></CommonPrefixes>"},
		"another bucket":             {"<Name>quillmere<", "<Name>" + strings.Repeat("x", 900_000) + "<"},
		"another key":                {"</IsTruncated>", "</IsTruncated><Contents><Key>" + strings.Repeat("x", 900_000) + "</Key></Contents>"},
	} {
		x := filled(t)
		met := false
		x.Gate.Inject(webtest.Fault{Count: -1, Change: func(_ *http.Response, b []byte) []byte {
			met = met || strings.Contains(string(b), c[0])
			return []byte(strings.Replace(string(b), c[0], c[1], 1))
		}})
		p, err := x.service.Page(context.Background(), cloud.Query{Parents: []string{x.service.Root()}}, "")
		if !met || err == nil || len(err.Error()) > 500 {
			t.Errorf("%s: %v, %+v, %.600v", name, met, p, err)
		}
	}
}

// TestOneObject: one that the service refuses to tell of stays as it is listed, and is the
// only one that isn't read.
func TestOneObject(t *testing.T) {
	x := filled(t)
	x.Gate.Inject(webtest.Fault{Count: -1, Status: 400, Match: func(r *http.Request) bool { return strings.HasSuffix(r.URL.Path, "/d.wav") }})
	must(t, x.Store.Refresh(context.Background()))
	for path, fits := range map[string]bool{"d.wav": false, "QV-0107/a.wav": true} {
		_, err := x.Set.Stat(context.Background(), path)
		if (err == nil) != fits || errors.Is(err, fixity.ErrAway) || !fits && !errors.Is(err, fixity.ErrDenied) {
			t.Errorf("%s: %v", path, err)
		}
	}
}

// TestEachHeadByItself: one that fails for a while is asked for again, and nothing else is.
func TestEachHeadByItself(t *testing.T) {
	x := filled(t)
	must(t, x.Store.Refresh(context.Background()))
	usual := len(x.Gate.Calls())
	x.Gate.Reset()
	x.Gate.Inject(webtest.Fault{Count: 3, Status: 503, Match: func(r *http.Request) bool {
		return r.Method == http.MethodHead && strings.HasSuffix(r.URL.Path, "/d.wav")
	}})
	must(t, x.Store.Refresh(context.Background()))
	if n := len(x.Gate.Calls()); n != usual+3 {
		t.Errorf("%d calls, and %d if none fails", n, usual)
	}
}

// TestEmptyPages: pages on which nothing is are passed, also several in a row.
func TestEmptyPages(t *testing.T) {
	x := filled(t)
	n := 0
	x.Gate.Inject(webtest.Fault{Count: 3, Match: listing, Change: func(_ *http.Response, b []byte) []byte {
		n++
		return []byte("<ListBucketResult><Name>quillmere</Name><IsTruncated>true</IsTruncated><NextContinuationToken>0" + string(rune('0'+n)) + "</NextContinuationToken></ListBucketResult>")
	}})
	if got, err := cloudtest.Seen(x.Set); err != nil || len(got) != len(cloudtest.Files()) || n != 3 {
		t.Errorf("%d empty pages: %v, %v", n, got, err)
	}
}

// TestTieredArchive: what Intelligent-Tiering has put into an archive isn't asked for, before
// somebody has it restored.
func TestTieredArchive(t *testing.T) {
	x := serve(t, nil)
	v := s3test.Version{Data: []byte("one"), Class: "INTELLIGENT_TIERING", Archive: "DEEP_ARCHIVE_ACCESS"}
	x.server.Put("archive/masters/a", v)
	v.Restored = true
	x.server.Put("archive/masters/b", v)
	for path, fits := range map[string]bool{"a": false, "b": true} {
		e, err := x.Set.Stat(context.Background(), path)
		must(t, err)
		x.Gate.Reset()
		if b, err := cloudtest.Whole(x.Set, e, 0); (err == nil && string(b) == "one") != fits || !fits && !errors.Is(err, fixity.ErrNotNow) {
			t.Errorf("%s: %q, %v", path, b, err)
		}
		for _, c := range x.Gate.Calls() {
			if !fits && strings.HasPrefix(c, "GET ") {
				t.Error(c)
			}
		}
	}
}
