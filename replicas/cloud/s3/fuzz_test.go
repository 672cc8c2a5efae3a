package s3_test

import (
	"context"
	"io"
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/s3"
)

// says answers each request with one text.
type says struct{ text string }

func (s says) RoundTrip(r *http.Request) (*http.Response, error) {
	return &http.Response{StatusCode: http.StatusOK, Status: "200 OK", Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1, Request: r, ContentLength: int64(len(s.text)),
		Header: http.Header{"Content-Type": {"application/xml"}, "Date": {"Sun, 01 Mar 2026 12:00:00 GMT"}}, Body: io.NopCloser(strings.NewReader(s.text))}, nil
}

// FuzzListing: whatever a service answers for a listing, what is made of it has a name and
// lies in the folder, or below it; an error is short.
func FuzzListing(f *testing.F) {
	const head = `<ListBucketResult><Name>quillmere</Name><Prefix>archive%2F</Prefix><KeyCount>2</KeyCount><MaxKeys>1000</MaxKeys><EncodingType>url</EncodingType><IsTruncated>false</IsTruncated>`
	f.Add(head + `<Contents><Key>archive%2Fa.wav</Key><LastModified>2026-03-01T12:00:00.000Z</LastModified><ETag>"0123456789abcdef0123456789abcdef"</ETag><Size>3</Size><StorageClass>GLACIER</StorageClass></Contents></ListBucketResult>`)
	f.Add(head + `<CommonPrefixes><Prefix>archive%2Fmasters%2F</Prefix></CommonPrefixes><Contents><Key>archive%2F</Key><Size>0</Size></Contents></ListBucketResult>`)
	f.Add(strings.Replace(head, "false", "true", 1) + `<NextContinuationToken>x</NextContinuationToken><Contents><Key>archive/%ff</Key><Size>-3</Size></Contents></ListBucketResult>`)
	f.Add(`<Error><Code>NoSuchBucket</Code><Message>x</Message></Error>`)
	key := keyFile(f, "A", "word")
	f.Fuzz(func(t *testing.T, text string) {
		s, err := s3.Open(s3.Options{Endpoint: "http://127.0.0.1:9000", Bucket: "quillmere", Folder: "archive", Credential: key, Now: func() time.Time { return time.Unix(1772366400, 0) }, Transport: says{text}})
		must(t, err)
		ctx, stop := context.WithTimeout(context.Background(), 10*time.Second)
		defer stop()
		p, err := s.Page(ctx, cloud.Query{Parents: []string{s.Root()}}, "")
		if ctx.Err() != nil {
			t.Fatal("it doesn't end")
		}
		if err != nil && len(err.Error()) > 500 {
			t.Errorf("an error of %d bytes", len(err.Error()))
		}
		for _, it := range p.Items {
			if it.ID == "" || it.ID == s.Root() || it.Name == "" || !strings.HasPrefix(it.Parent, s.Root()) || it.Size < 0 && it.Hazy == "" {
				t.Errorf("%+v", it)
			}
		}
		_, _ = s.Get(ctx, s.Root())
	})
}
