package webdav_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/webdav"
)

// says answers each request with one text.
type says struct{ text string }

func (s says) RoundTrip(r *http.Request) (*http.Response, error) {
	return &http.Response{StatusCode: http.StatusMultiStatus, Status: "207 Multi-Status", Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1, Request: r,
		Header: http.Header{"Content-Type": {"application/xml"}, "Date": {"Sun, 01 Mar 2026 12:00:00 GMT"}}, Body: io.NopCloser(strings.NewReader(s.text))}, nil
}

// FuzzListing: whatever a server lists, what is made of it lies in the folder that was asked
// for, and isn't that folder; an error is short.
func FuzzListing(f *testing.F) {
	size := `<D:getcontentlength>3</D:getcontentlength><D:getetag>"e"</D:getetag><D:getlastmodified>Sun, 01 Mar 2026 12:00:00 GMT</D:getlastmodified>`
	f.Add(multistatus(good("/dav/archive/masters/a.wav", size)))
	f.Add(multistatus(good("http://127.0.0.1/dav/archive/masters/QV%2F..%2Fa.wav", size), good("/dav/archive/masters/../../x", size)))
	f.Add(multistatus(good("/dav/archive/masters/%C3%84.wav", size+`<oc:checksums><oc:checksum>SHA1:0123 MD5:45</oc:checksum></oc:checksums>`)))
	f.Add(`<a:multistatus xmlns:a="DAV:"><a:response><a:href>/dav/archive/masters/</a:href><a:status>HTTP/1.1 403 Forbidden</a:status></a:response>`)
	f.Fuzz(func(t *testing.T, text string) {
		s, err := webdav.Open(webdav.Options{Endpoint: "http://127.0.0.1/dav", Folder: "archive/masters", Now: func() time.Time { return time.Unix(1772366400, 0) }, Transport: says{text}})
		if err != nil {
			t.Fatal(err)
		}
		p, err := s.Page(context.Background(), cloud.Query{Parents: []string{s.Root()}}, "")
		if err != nil && len(err.Error()) > 500 {
			t.Errorf("an error of %d bytes", len(err.Error()))
		}
		for _, it := range p.Items {
			if it.Parent != s.Root() || it.ID == "" || it.ID == s.Root() || it.Size < 0 && it.Hazy == "" {
				t.Errorf("%+v", it)
			}
		}
		_, _ = s.Get(context.Background(), s.Root())
	})
}
