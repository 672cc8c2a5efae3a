package s3

import (
	"context"
	"errors"
	"fmt"
	"io"
	"net/http"
	"net/url"
	"strconv"
	"strings"
	"sync/atomic"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"
	"firmus/replicas/loopback"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
	"github.com/minio/minio-go/v7/pkg/s3utils"
)

// Options of a Service.
type Options struct {
	// Endpoint is the service's address without a path: https, or plain http on this computer.
	Endpoint string
	Bucket   string
	// Folder is a path in the bucket, "" for all of it.
	Folder string
	// Region as the service calls it; "" is "us-east-1", which services without regions take.
	Region string
	// Addressing says how requests name the bucket: "path", "host", or "" as the endpoint
	// suggests.
	Addressing string
	// Credential is a file with lines "aws_access_key_id = …" and "aws_secret_access_key = …".
	Credential string
	// Transport carries the calls; nil is one of its own that uses no proxy.
	Transport http.RoundTripper
	// Now is the clock; needed.
	Now func() time.Time
}

// Service is a bucket. It is a cloud.Service and cloud.Checker, and may be used by several
// goroutines at once. Ids are "=" and the key of an object, "/" and the prefix of a folder.
type Service struct {
	o      Options
	prefix string // of the folder: "" or ending in a slash
	drive  string
	client *minio.Core
	opts   minio.Options
	host   string
	trip   *trip
	noSums atomic.Bool // the service refuses to be asked for checksums
}

var (
	_ cloud.Service = (*Service)(nil)
	_ cloud.Checker = (*Service)(nil)
)

// Open reads the credential and makes a Service. Nothing is asked of the net. It fails with
// fixity.ErrRefused for an address that isn't one, over plain http on another computer, or
// with more in it than the host, for a bucket that can't be one, and for a credential that is
// not to be used (see wire.Secret).
func Open(o Options) (*Service, error) {
	if o.Now == nil {
		return nil, errors.New("s3: no clock")
	}
	u, err := url.Parse(o.Endpoint)
	if err != nil || u.User != nil || u.RawQuery != "" || u.Host == "" || strings.Trim(u.Path, "/") != "" || u.Scheme != "https" && !loopback.Plain(o.Endpoint) {
		return nil, fmt.Errorf("s3: %w: the endpoint must be an https address without a user or a path; plain http is for a server on this computer", fixity.ErrRefused)
	}
	host := u.Host
	if p := u.Port(); p != "" && p == map[string]string{"https": "443", "http": "80"}[u.Scheme] {
		host = strings.TrimSuffix(host, ":"+p) // the client library sends none
	}
	s := &Service{o: o, host: host}
	names, err := wire.Names(o.Folder)
	if err != nil {
		return nil, fmt.Errorf("s3: %w", err)
	}
	for _, name := range names {
		s.prefix += name + "/"
	}
	if err := s3utils.CheckValidBucketName(o.Bucket); err != nil {
		return nil, fmt.Errorf("s3: %w: bucket %q: %w", fixity.ErrRefused, o.Bucket, err)
	}
	if o.Credential == "" {
		return nil, fmt.Errorf("s3: %w: no credential", fixity.ErrRefused)
	}
	got, err := wire.Pairs(o.Credential, []string{"aws_access_key_id", "aws_secret_access_key"}, "aws_session_token")
	if err != nil {
		return nil, fmt.Errorf("s3: %w", err)
	}
	if o.Transport == nil {
		t := wire.Transport()
		t.MaxIdleConnsPerHost = heads
		o.Transport = t
	}
	if o.Region == "" {
		o.Region = s3utils.GetRegionFromURL(*u)
	}
	if o.Region == "" {
		o.Region = "us-east-1" // without one the client library would ask for it
	}
	s.drive = host + "/" + o.Bucket
	s.trip = &trip{Dated: &wire.Dated{Base: o.Transport, Now: o.Now}, host: host, bucket: o.Bucket}
	s.opts = minio.Options{
		Creds:  credentials.NewStaticV4(got["aws_access_key_id"], got["aws_secret_access_key"], got["aws_session_token"]),
		Secure: u.Scheme == "https", Region: o.Region, Transport: s.trip, MaxRetries: 1, // one try: package cloud repeats
		BucketLookup: map[string]minio.BucketLookupType{"path": minio.BucketLookupPath, "host": minio.BucketLookupDNS}[o.Addressing],
	}
	if s.client, err = s.core(&s.opts); err != nil {
		return nil, fmt.Errorf("s3: %w: %w", fixity.ErrRefused, err)
	}
	s.client.SetAppInfo("firmus", "1")
	// Amazon's endpoint is sent the calls of a bucket at its region's address. It is asked for
	// here, by signing a call that isn't made: what a service says later changes nothing.
	where, err := s.client.Presign(context.Background(), http.MethodGet, o.Bucket, "x", time.Minute, nil)
	if err != nil {
		return nil, fmt.Errorf("s3: %w: %w", fixity.ErrRefused, err)
	}
	s.trip.region = where.Host
	return s, nil
}

// core is a client of the endpoint.
func (s *Service) core(opts *minio.Options) (*minio.Core, error) {
	c, err := minio.NewCore(s.host, opts)
	if err == nil {
		c.SetS3EnableDualstack(false) // it would send the calls to other addresses
	}
	return c, err
}

// Root is the id of the folder.
func (s *Service) Root() string { return "/" + s.prefix }

// lister is a client whose calls end with ctx: the library's own call for a page has none.
func (s *Service) lister(ctx context.Context) (*minio.Core, error) {
	opts := s.opts
	opts.Transport = &within{s.trip, ctx}
	return s.core(&opts)
}

// Get is the item with that id.
func (s *Service) Get(ctx context.Context, id string) (cloud.Item, error) {
	if key, ok := strings.CutPrefix(id, "="); ok && strings.HasPrefix(key, s.prefix) {
		return s.object(ctx, key)
	}
	prefix, ok := strings.CutPrefix(id, "/")
	if !ok || !strings.HasPrefix(prefix, s.prefix) || prefix != "" && !strings.HasSuffix(prefix, "/") {
		return cloud.Item{}, notThere
	}
	l, err := s.list(ctx, prefix, "", "", 1)
	if err != nil {
		return cloud.Item{}, err
	}
	if len(l.Contents) == 0 && prefix != "" {
		return cloud.Item{}, notThere
	}
	return s.dir(prefix), nil
}

var notThere = &cloud.Error{Class: cloud.NotVisible, Text: "there is no such thing, or this key may not see it"}

// Page is one page of what q asks for: what lies in one folder, or all below the Service's.
func (s *Service) Page(ctx context.Context, q cloud.Query, token string) (cloud.Page, error) {
	prefix, delimiter := s.prefix, ""
	i, last, rest, err := where(token, max(len(q.Parents), 1))
	if err != nil {
		return cloud.Page{}, err
	}
	if len(q.Parents) > 0 {
		delimiter = "/"
		var ok bool
		if prefix, ok = strings.CutPrefix(q.Parents[i], "/"); !ok || !strings.HasPrefix(prefix, s.prefix) {
			return cloud.Page{}, notThere
		}
	}
	l, err := s.list(ctx, prefix, rest, delimiter, pageSize)
	if err != nil {
		return cloud.Page{}, err
	}
	p := cloud.Page{Items: s.items(l, prefix)}
	p.Rest = func(ctx context.Context, try cloud.Try) error { return s.sums(ctx, try, l, p.Items) }
	end := last
	if n := len(p.Items); n > 0 {
		end = p.Items[n-1].ID
	}
	switch {
	case l.IsTruncated && len(p.Items) > 0 && end == last:
		return cloud.Page{}, wire.Nonsense(http.StatusOK, errors.New("the same page comes over and over"))
	case l.IsTruncated:
		p.Next = fmt.Sprintf("%d %q %s", i, end, l.NextContinuationToken)
	case i+1 < len(q.Parents):
		p.Next = fmt.Sprintf("%d %q ", i+1, "")
	}
	return p, nil
}

// where is what the token of a page says: the number of the folder, of so many, the last
// thing on the page before, and the service's own token.
func where(token string, folders int) (i int, last, rest string, err error) {
	if token == "" {
		return 0, "", "", nil
	}
	number, after, _ := strings.Cut(token, " ")
	i, err = strconv.Atoi(number)
	quoted, bad := strconv.QuotedPrefix(after)
	if err != nil || bad != nil || i < 0 || i >= folders {
		return 0, "", "", &cloud.Error{Class: cloud.Refused, Text: "that is no page"}
	}
	last, _ = strconv.Unquote(quoted)
	return i, last, strings.TrimPrefix(after[len(quoted):], " "), nil
}

// pageSize is the most that services give (ListObjectsV2, max-keys).
const pageSize = 1000

// list is a page of a listing that names the bucket.
func (s *Service) list(ctx context.Context, prefix, token, delimiter string, most int) (minio.ListBucketV2Result, error) {
	var l minio.ListBucketV2Result
	err := s.ask(ctx, func(ctx context.Context) error {
		c, err := s.lister(ctx)
		if err == nil {
			l, err = c.ListObjectsV2(s.o.Bucket, prefix, "", token, delimiter, most)
		}
		return err
	})
	switch {
	case err != nil:
		return minio.ListBucketV2Result{}, err
	case l.Name != s.o.Bucket:
		return l, wire.Nonsense(http.StatusOK, fmt.Errorf("a listing of the bucket %q was asked for, and what came names %q", s.o.Bucket, l.Name))
	case len(l.Contents)+len(l.CommonPrefixes) > max(most, pageSize):
		return l, wire.Nonsense(http.StatusOK, fmt.Errorf("a page of %d was asked for, and has %d", most, len(l.Contents)))
	}
	for _, x := range l.Contents {
		if !strings.HasPrefix(x.Key, prefix) || x.Size < 0 {
			return l, wire.Nonsense(http.StatusOK, fmt.Errorf("a listing of %q names %q, of %d bytes", prefix, x.Key, x.Size))
		}
	}
	for _, p := range l.CommonPrefixes {
		if in, ok := strings.CutPrefix(p.Prefix, prefix); !ok || !strings.HasSuffix(in, delimiter) || delimiter == "" {
			return l, wire.Nonsense(http.StatusOK, fmt.Errorf("a listing of %q names the folder %q", prefix, p.Prefix))
		}
	}
	return l, nil
}

// Open gives the bytes of an object from offset on, of the version that it was listed as.
func (s *Service) Open(ctx context.Context, it cloud.Item, offset int64) (io.ReadCloser, error) {
	key, ok := strings.CutPrefix(it.ID, "=")
	if !ok {
		return nil, notThere
	}
	var o minio.GetObjectOptions
	o.Set("Range", wire.Range(offset, it.Size))
	o.Set("Accept-Encoding", "identity")
	if tag := wire.TagOf(it.Version); tag != "" {
		o.SetMatchETag(tag)
	}
	var body io.ReadCloser
	err := s.ask(ctx, func(ctx context.Context) (err error) {
		body, _, _, err = s.client.GetObject(ctx, s.o.Bucket, key, o)
		return err
	})
	return body, err
}

// Check says what is wrong with the address, the key, the bucket and the clock, and what the
// bucket is set to, as far as the key may see that.
func (s *Service) Check(ctx context.Context) (all []cloud.Problem) {
	if _, err := s.Get(ctx, s.Root()); err != nil {
		all = append(all, cloud.Problem{Grave: true, Text: err.Error(), Do: s.Advice(err)})
	} else {
		all = append(all, s.settings(ctx)...)
	}
	return append(all, s.trip.Skew("with a wrong one requests are refused")...)
}

// settings says what the bucket is set to that matters to copies in it, as far as the key may
// see that.
func (s *Service) settings(ctx context.Context) (all []cloud.Problem) {
	if v, err := s.client.GetBucketVersioning(ctx, s.o.Bucket); err == nil && v.Enabled() {
		text := "the bucket keeps earlier versions: what is deleted or overwritten there can be had back"
		if days := s.keptDays(ctx, s.prefix); days > 0 {
			text += " for " + fixity.Count(days, "day")
		}
		all = append(all, cloud.Problem{Text: text})
	} else if err == nil && v.Suspended() {
		all = append(all, cloud.Problem{
			Text: "the bucket has stopped keeping earlier versions: those from before are there, and what was put there since is gone at once when it is deleted or overwritten",
			Do:   "have it keep versions again, in the service's console",
		})
	} else if err == nil {
		all = append(all, cloud.Problem{
			Text: "the bucket keeps no earlier versions: what is deleted or overwritten there is gone at once",
			Do:   "have it keep versions, in the service's console",
		})
	}
	if enabled, mode, n, unit, err := s.client.GetObjectLockConfig(ctx, s.o.Bucket); err == nil && enabled == "Enabled" {
		text := "the bucket can lock objects (Object Lock)"
		if mode != nil && n != nil && unit != nil {
			text += fmt.Sprintf(": what is put there is locked for %s, %s", fixity.Count(int64(*n), strings.ToLower(strings.TrimSuffix(unit.String(), "S"))), strings.ToLower(mode.String()))
		}
		all = append(all, cloud.Problem{Text: text + ". A lock keeps versions: a delete marker can still hide them"})
	}
	return all
}
