package s3_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"encoding/base64"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync/atomic"
	"testing"
	"time"
	"unicode/utf8"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/s3"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/replicatest"
	"firmus/replicas/testing/webtest"

	"github.com/minio/minio-go/v7"
	"github.com/minio/minio-go/v7/pkg/credentials"
)

const (
	gatewayKey    = "FIRMUSGATEWAY"
	gatewaySecret = "a-secret-of-16-characters-or-more"
)

// gateway is an S3 server by others, over folders of this computer.
type gateway struct {
	addr, root string
	client     *minio.Client
	n          atomic.Int32
}

func startGateway(t *testing.T) *gateway {
	g := &gateway{}
	g.addr, g.root = webtest.Gateway(t, gatewayKey, gatewaySecret)
	var err error
	g.client, err = minio.New(g.addr, &minio.Options{Creds: credentials.NewStaticV4(gatewayKey, gatewaySecret, ""), Region: "us-east-1"})
	must(t, err)
	return g
}

// bucket is a new bucket with files.
func (g *gateway) bucket(t *testing.T, files map[string]string) (*cloudtest.Small, *s3.Service, string) {
	ctx := context.Background()
	name := fmt.Sprintf("quillmere-%d", g.n.Add(1))
	must(t, g.client.MakeBucket(ctx, name, minio.MakeBucketOptions{}))
	put := func(path, data string) {
		_, err := g.client.PutObject(ctx, name, "archive/masters/"+path, strings.NewReader(data), int64(len(data)), minio.PutObjectOptions{DisableMultipart: true})
		must(t, err)
	}
	put("", "")
	for path, data := range files {
		put(path, data)
	}
	gate, clock := webtest.Before(t, g.addr), cloudtest.NewClock()
	s, err := s3.Open(s3.Options{Endpoint: gate.URL, Bucket: name, Folder: "archive", Credential: keyFile(t, gatewayKey, gatewaySecret), Now: time.Now})
	must(t, err)
	store, err := cloud.New(s, cloud.Options{Folder: s.Root(), Now: clock.Now, Sleep: clock.Sleep})
	must(t, err)
	return &cloudtest.Small{Gate: gate, Store: store, Set: store.Set("masters", nil), Clock: clock, Put: put,
		Remove: func(path string) {
			must(t, g.client.RemoveObject(ctx, name, "archive/masters/"+path, minio.RemoveObjectOptions{}))
		},
		Rot: func(path string, at int64) {
			webtest.Rot(t, filepath.Join(g.root, name, "archive", "masters", filepath.FromSlash(path)), at)
		},
	}, s, name
}

// TestGateway: all that holds for the server in this process holds for this one.
func TestGateway(t *testing.T) {
	g := startGateway(t)
	ctx := context.Background()
	t.Run("contract", func(t *testing.T) {
		replicatest.Run(t, replicatest.Harness{
			New: func(t *testing.T, files map[string]string) replicatest.Fixture {
				x, _, name := g.bucket(t, files)
				return replicatest.Fixture{
					Store:  x.Set,
					Write:  func(t *testing.T, path, data string) { x.Put(path, data) },
					Remove: func(t *testing.T, path string) { x.Remove(path) },
					Hide: func(t *testing.T) {
						must(t, os.Rename(filepath.Join(g.root, name), filepath.Join(g.root, "away-"+name)))
					},
				}
			},
			// Its listings can't hold control characters: TestNames of the server in this process.
			Holds: func(name string) bool {
				return utf8.ValidString(name) && !strings.ContainsFunc(name, func(r rune) bool { return r < ' ' || r == 0x7f })
			},
		})
	})
	t.Run("faults", func(t *testing.T) {
		cloudtest.Faults(t, func(t *testing.T) *cloudtest.Small { x, _, _ := g.bucket(t, cloudtest.Files()); return x })
	})
	t.Run("checksums", func(t *testing.T) {
		x, s, name := g.bucket(t, cloudtest.Files())
		data := []byte("the first side")
		own := sha256.Sum256(data)
		header := http.Header{"X-Amz-Checksum-Sha256": {base64.StdEncoding.EncodeToString(own[:])}}
		to, err := g.client.PresignHeader(ctx, http.MethodPut, name, "archive/masters/sha", time.Minute, nil, header)
		must(t, err)
		r, err := http.NewRequest(http.MethodPut, to.String(), bytes.NewReader(data))
		must(t, err)
		r.Header = header
		res, err := http.DefaultClient.Do(r)
		must(t, err)
		res.Body.Close()
		if res.StatusCode != http.StatusOK {
			t.Fatalf("put: %s", res.Status)
		}
		must(t, os.WriteFile(filepath.Join(g.root, name, "archive", "masters", "laid in"), data, 0o644))
		want := map[string]string{"sha": "sha256", "d.wav": "crc64nvme", "QV-0107/a.wav": "crc64nvme", "QV-0107/b/c.wav": "crc64nvme", "laid in": ""}
		for f, err := range x.Set.Files(ctx) {
			must(t, err)
			if got := string(f.Entry.Reported.Algorithm); got != want[f.Entry.Path] || f.Version == "" {
				t.Errorf("%s: %s, version %q", f.Entry.Path, f.Entry.Reported, f.Version)
			}
			delete(want, f.Entry.Path)
		}
		if len(want) > 0 {
			t.Errorf("not shown: %v", want)
		}
		cloudtest.Run(t, cloudtest.Target{Service: s, Folder: s.Root(), Most: 1 << 20, Bare: true, AnyToken: true})
	})
	t.Run("parts", func(t *testing.T) {
		x, s, name := g.bucket(t, nil)
		core, least, at := minio.Core{Client: g.client}, 5<<20, "archive/masters/p.wav" // 5 MiB is the least of a part
		data := bytes.Repeat([]byte("the first side, "), (2*least+100)/16)
		id, err := core.NewMultipartUpload(ctx, name, at, minio.PutObjectOptions{UserMetadata: map[string]string{"X-Amz-Checksum-Algorithm": "SHA256"}})
		must(t, err)
		var parts []minio.CompletePart
		for b := range slices.Chunk(data, least) {
			own := sha256.Sum256(b)
			sum := base64.StdEncoding.EncodeToString(own[:])
			p, err := core.PutObjectPart(ctx, name, at, id, len(parts)+1, bytes.NewReader(b), int64(len(b)), minio.PutObjectPartOptions{CustomHeader: http.Header{"X-Amz-Checksum-Sha256": {sum}}})
			must(t, err)
			parts = append(parts, minio.CompletePart{PartNumber: len(parts) + 1, ETag: p.ETag, ChecksumSHA256: sum})
		}
		_, err = core.CompleteMultipartUpload(ctx, name, at, id, parts, minio.PutObjectOptions{})
		must(t, err)
		want, err := digest.NewSum(fixity.SHA256.Parts(int64(least)))
		must(t, err)
		want.Write(data)
		for f, err := range x.Set.Files(ctx) {
			must(t, err)
			if f.Entry.Path != "p.wav" || f.Entry.Reported != want.Sums().Digests[0] || f.Entry.Basis != fixity.ByJoined {
				t.Errorf("%+v, want %s", f, want.Sums().Digests[0])
			}
		}
		if one, err := s.Get(ctx, "="+at); err != nil || one.Sum != want.Sums().Digests[0] {
			t.Errorf("%+v, %v", one, err)
		}
	})
	t.Run("a delete marker", func(t *testing.T) {
		x, _, name := g.bucket(t, nil)
		must(t, g.client.EnableVersioning(ctx, name))
		x.Put("d.wav", "sixteen bytes :)")
		x.Put("e.wav", "one")
		_, err := cloudtest.Seen(x.Set)
		must(t, err)
		x.Remove("d.wav")
		found, err := x.Set.Confirm(ctx, []cloud.Lost{{Path: "d.wav"}})
		if err != nil || len(found) != 1 || found[0].Fate != cloud.IsBinned || found[0].Seen[0].Code != "version" {
			t.Errorf("%+v, %v", found, err)
		}
	})
	t.Run("refusals", func(t *testing.T) {
		_, _, name := g.bucket(t, cloudtest.Files())
		for what, c := range map[string]struct{ key, secret, bucket, says string }{
			"another key":    {"NOBODY", gatewaySecret, name, "does not know the access key"},
			"another secret": {gatewayKey, "s3cret-of-somebody-else", name, "not the access key's"},
			"no bucket":      {gatewayKey, gatewaySecret, "nowhere", "no bucket of that name"},
		} {
			s, err := s3.Open(s3.Options{Endpoint: "http://" + g.addr, Bucket: c.bucket, Folder: "archive", Credential: keyFile(t, c.key, c.secret), Now: time.Now})
			must(t, err)
			p := s.Check(ctx)
			if len(p) == 0 || !p[0].Grave || !strings.Contains(p[0].Text, c.says) || p[0].Do == "" || strings.Contains(fmt.Sprint(p), "s3cret") {
				t.Errorf("%s: %+v", what, p)
			}
			store, err := cloud.New(s, cloud.Options{Folder: s.Root(), Now: time.Now, Retry: cloud.Retry{Attempts: 1}})
			must(t, err)
			if _, err := cloudtest.Seen(store.Set("masters", nil)); err == nil || errors.Is(err, fixity.ErrVanished) {
				t.Errorf("%s: %v", what, err)
			}
		}
	})
}
