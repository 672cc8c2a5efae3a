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
	if id, err := x.Set.Identify(context.Background()); err != nil || id.Empty {
		t.Errorf("%+v, %v", id, err)
	}
	for _, c := range x.Gate.Calls() {
		if strings.HasPrefix(c, "HEAD ") {
			t.Errorf("that something is there takes no %s", c)
		}
	}
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
	next, met := map[string]string{"": "01", "01": "02", "02": "03"}, map[string]bool{}
	asked := ""
	x.Gate.Inject(webtest.Fault{Count: -1, Match: func(r *http.Request) bool {
		asked = r.URL.Query().Get("continuation-token")
		return listing(r) && next[asked] != ""
	}, Change: func(_ *http.Response, b []byte) []byte {
		met[asked] = true
		return []byte("<ListBucketResult><Name>quillmere</Name><IsTruncated>true</IsTruncated><NextContinuationToken>" + next[asked] + "</NextContinuationToken></ListBucketResult>")
	}})
	if got, err := cloudtest.Seen(x.Set); err != nil || len(got) != len(cloudtest.Files()) || len(met) != 3 {
		t.Errorf("%d empty pages: %v, %v", len(met), got, err)
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

// TestKeptDays: how long the bucket keeps what is deleted is said only where its rules say so
// of all that is meant.
func TestKeptDays(t *testing.T) {
	const rule = "<Rule><Status>Enabled</Status>%<NoncurrentVersionExpiration><NoncurrentDays>90</NoncurrentDays></NoncurrentVersionExpiration></Rule>"
	const tag = "<Tag><Key>a</Key><Value>b</Value></Tag>"
	all := strings.Replace(rule, "%", "<Filter><Prefix></Prefix></Filter>", 1)
	for name, c := range map[string]struct {
		rules        string
		check, below int // days that are told of the folder, and of a file in it
	}{
		"of all":             {all, 90, 90},
		"of the folder":      {strings.Replace(rule, "%", "<Prefix>archive/</Prefix>", 1), 90, 90},
		"of another":         {strings.Replace(rule, "%", "<Filter><Prefix>other/</Prefix></Filter>", 1), 0, 0},
		"deeper":             {strings.Replace(rule, "%", "<Filter><Prefix>archive/masters/</Prefix></Filter>", 1), 0, 90},
		"all, deeper sooner": {all + strings.Replace(strings.Replace(rule, "90", "7", 1), "%", "<Filter><Prefix>archive/masters/</Prefix></Filter>", 1), 0, 7},
		"a prefix in And":    {strings.Replace(rule, "%", "<Filter><And><Prefix>archive/</Prefix>"+tag+"</And></Filter>", 1), 0, 0},
		"all, some sooner":   {all + strings.Replace(rule, "%", "<Filter><And><Prefix>archive/</Prefix>"+tag+"</And></Filter>", 1), 0, 0},
		"another's in And":   {all + strings.Replace(rule, "%", "<Filter><And><Prefix>other/</Prefix>"+tag+"</And></Filter>", 1), 90, 90},
		"by a tag":           {all + strings.Replace(rule, "%", "<Filter>"+tag+"</Filter>", 1), 0, 0},
		"by size":            {all + strings.Replace(rule, "%", "<Filter><ObjectSizeGreaterThan>5</ObjectSizeGreaterThan></Filter>", 1), 0, 0},
		"switched off":       {all + strings.Replace(strings.Replace(rule, "Enabled", "Disabled", 1), "%", "<Filter>"+tag+"</Filter>", 1), 90, 90},
		"all versions":       {all + "<Rule><Status>Enabled</Status><Filter><Prefix></Prefix></Filter><AllVersionsExpiration><Days>9</Days></AllVersionsExpiration></Rule>", 0, 0},
	} {
		x := serve(t, func(s *s3test.Server) { s.Rules = c.rules })
		x.Put("d.wav", "one")
		x.server.Delete("archive/masters/d.wav")
		it, err := x.service.Get(context.Background(), "=archive/masters/d.wav")
		if err != nil || !it.InBin || it.BinDays != c.below || it.GoneAt.IsZero() != (c.below == 0) {
			t.Errorf("%s: %d days, want %d: %+v, %v", name, it.BinDays, c.below, it, err)
		}
		p := x.service.Check(context.Background())
		if len(p) != 1 || strings.Contains(p[0].Text, " days") != (c.check > 0) || c.check > 0 && !strings.HasSuffix(p[0].Text, " for 90 days") {
			t.Errorf("%s: %+v", name, p)
		}
	}
	x := serve(t, func(s *s3test.Server) { s.Rules, s.Frozen = all, true })
	if p := x.service.Check(context.Background()); len(p) != 1 || !strings.Contains(p[0].Text, "has stopped keeping") || strings.Contains(p[0].Text, "days") {
		t.Errorf("suspended: %+v", p)
	}
}
