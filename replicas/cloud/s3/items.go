package s3

import (
	"cmp"
	"context"
	"encoding/base64"
	"errors"
	"net/http"
	"strconv"
	"strings"
	"sync"
	"time"
	"unicode/utf8"

	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"

	"github.com/minio/minio-go/v7"
)

// archived are the storage classes from which nothing is given out before somebody restores
// it (Amazon S3 User Guide, "Understanding and managing Amazon S3 storage classes").
var archived = map[string]bool{"GLACIER": true, "DEEP_ARCHIVE": true}

// dir is a folder that keys lie in.
func (s *Service) dir(prefix string) cloud.Item {
	it := cloud.Item{ID: "/" + prefix, Drive: s.drive, Kind: cloud.Dir}
	if prefix == s.prefix {
		it.Name = s.o.Bucket
		if prefix != "" {
			it.Name = base(strings.TrimSuffix(prefix, "/"))
		}
		return it
	}
	it.Parent, it.Name = s.place(strings.TrimSuffix(prefix, "/"))
	return it
}

// place is the folder that a key lies in, and its name there.
func (s *Service) place(key string) (parent, name string) {
	name = base(key)
	return "/" + key[:len(key)-len(name)], name
}

func base(key string) string { return key[strings.LastIndexByte(key, '/')+1:] }

// items are the objects of a listing of prefix, and the folders that they lie in.
func (s *Service) items(l minio.ListBucketV2Result, prefix string) []cloud.Item {
	out := make([]cloud.Item, 0, len(l.Contents)+16)
	seen := map[string]bool{prefix: true}
	folders := func(key string) { // those below prefix
		for at := len(prefix); ; {
			n := strings.IndexByte(key[at:], '/')
			if n < 0 {
				return
			}
			at += n + 1
			if !seen[key[:at]] {
				seen[key[:at]] = true
				out = append(out, s.dir(key[:at]))
			}
		}
	}
	for _, p := range l.CommonPrefixes {
		folders(p.Prefix)
	}
	for i := range l.Contents {
		x := &l.Contents[i]
		folders(x.Key)
		if x.Size == 0 && (x.Key == s.prefix || strings.HasSuffix(x.Key, "/")) {
			continue // it stands for a folder
		}
		it := s.blob(x)
		// Where names are encoded each can stand in a listing.
		if l.EncodingType != "url" && strings.ContainsRune(x.Key, utf8.RuneError) {
			it.Hazy = "its name holds a character that this service can't list. Give it another name there"
		}
		out = append(out, it)
	}
	return out
}

// blob is an object as a listing or a HEAD shows it, without its checksums.
func (s *Service) blob(x *minio.ObjectInfo) cloud.Item {
	it := cloud.Item{ID: "=" + x.Key, Drive: s.drive, Size: x.Size, ModTime: x.LastModified.UTC().Truncate(time.Second)}
	it.Parent, it.Name = s.place(x.Key)
	if it.Version = strings.Trim(x.ETag, `"`); it.Version == "" {
		it.Version = wire.Dating(it.ModTime)
	}
	if d, err := fixity.ParseDigest(fixity.MD5, it.Version); err == nil {
		it.Sum, it.Basis = d, fixity.ByETag
	} else if parts().MatchString(it.Version) {
		it.Basis = fixity.ByParts
	}
	if it.Class = x.StorageClass; it.Class == "STANDARD" {
		it.Class = ""
	}
	return it
}

// parts is an ETag of an upload in parts (Amazon S3 API Reference, Object, ETag).
var parts = expr.Once(`^[0-9a-f]{32}-[0-9]+$`)

// listed are the checksums that an object can be kept with, the strongest first.
func listed(x *minio.ObjectInfo) []struct {
	alg  fixity.Algorithm
	text string
} {
	return []struct {
		alg  fixity.Algorithm
		text string
	}{
		{fixity.SHA256, x.ChecksumSHA256}, {fixity.SHA1, x.ChecksumSHA1}, {fixity.MD5, x.ChecksumMD5},
		{fixity.CRC64NVME, x.ChecksumCRC64NVME}, {fixity.CRC32C, x.ChecksumCRC32C}, {fixity.CRC32, x.ChecksumCRC32},
	}
}

// sum is the strongest checksum of the whole object that is among its headers.
func sum(x *minio.ObjectInfo) fixity.Digest {
	if x.ChecksumMode == "COMPOSITE" {
		return fixity.Digest{}
	}
	for _, c := range listed(x) {
		// One of parts ends in "-" and their number (Amazon S3 User Guide, "Checking object
		// integrity"): not everybody says COMPOSITE.
		if b, err := base64.StdEncoding.DecodeString(c.text); err == nil && len(b) == c.alg.Size() {
			return fixity.DigestOf(c.alg, b)
		}
	}
	return fixity.Digest{}
}

// ofParts is the strongest checksum of an object's parts that is among its headers, and how many
// parts there are; without one, what may be that by its ETag (weak). 0: there is none.
func ofParts(x *minio.ObjectInfo) (d fixity.Digest, weak bool, n int64) {
	for _, c := range listed(x) {
		text, number, _ := strings.Cut(c.text, "-")
		n, err := strconv.ParseInt(number, 10, 64)
		if b, bad := base64.StdEncoding.DecodeString(text); bad == nil && err == nil && len(b) == c.alg.Size() {
			return fixity.DigestOf(c.alg, b), false, n
		}
	}
	if tag := strings.Trim(x.ETag, `"`); parts().MatchString(tag) {
		text, number, _ := strings.Cut(tag, "-")
		n, err := strconv.ParseInt(number, 10, 64)
		if d, bad := fixity.ParseDigest(fixity.MD5, text); bad == nil && err == nil {
			return d, true, n
		}
	}
	return fixity.Digest{}, false, 0
}

// joined is the checksum of an object's parts as the whole object's, by the size that all but
// the last part have; zero if that can't be found out.
func (s *Service) joined(ctx context.Context, key string, size int64, d fixity.Digest, n int64) (fixity.Digest, error) {
	part := size
	if n > 1 {
		var x minio.ObjectInfo
		err := s.ask(ctx, func(ctx context.Context) (err error) {
			x, err = s.client.StatObject(ctx, s.o.Bucket, key, minio.StatObjectOptions{PartNumber: 1})
			return err
		})
		var e *cloud.Error
		switch {
		case errors.As(err, &e) && e.Class == cloud.Later && (e.Status == 0 || e.Status == http.StatusTooManyRequests || e.Status == http.StatusServiceUnavailable), errors.Is(err, context.Canceled):
			return fixity.Digest{}, err
		case err != nil:
			return fixity.Digest{}, nil // the service knows no parts
		}
		part = x.Size
	}
	if n < 1 || n > mostParts || part <= 0 || (n-1)*part >= size || n*part < size {
		return fixity.Digest{}, nil // their sizes differ
	}
	return fixity.Digest{Algorithm: d.Algorithm.Parts(part), Sum: d.Sum}, nil
}

// mostParts is how many parts an object has at most (Amazon S3 User Guide, "Amazon S3 multipart
// upload limits").
const mostParts = 10_000

// heads is how many objects are asked for side by side.
const heads = 16

// sums puts into items the checksums of which a listing says that they are there. Some
// services don't say so: one object without is asked for, and if it has one, so are all.
func (s *Service) sums(ctx context.Context, try cloud.Try, l minio.ListBucketV2Result, items []cloud.Item) error {
	says := map[string]bool{}
	for _, x := range l.Contents {
		if x.ChecksumAlgorithm != "" || parts().MatchString(strings.Trim(x.ETag, `"`)) {
			says["="+x.Key] = true
		}
	}
	var ask, quiet []*cloud.Item
	for i := range items {
		switch it := &items[i]; {
		case it.Kind != cloud.Blob || it.Hazy != "":
		case says[it.ID]:
			ask = append(ask, it)
		default:
			quiet = append(quiet, it)
		}
	}
	if err := s.headAll(ctx, try, ask); err != nil || len(quiet) == 0 {
		return err
	}
	if err := s.headAll(ctx, try, quiet[:1]); err != nil || quiet[0].Sum.IsZero() || quiet[0].Basis.Weak() {
		return err
	}
	return s.headAll(ctx, try, quiet[1:])
}

// headAll asks for items side by side. One that has to be asked for again keeps the others
// from nothing.
func (s *Service) headAll(ctx context.Context, try cloud.Try, items []*cloud.Item) error {
	ctx, stop := context.WithCancelCause(ctx)
	defer stop(nil)
	var wg sync.WaitGroup
	slots := make(chan struct{}, heads)
	for _, it := range items {
		select {
		case slots <- struct{}{}:
		case <-ctx.Done():
		}
		if ctx.Err() != nil {
			break
		}
		wg.Go(func() {
			defer func() { <-slots }()
			if err := try(ctx, func(ctx context.Context) error { return s.head(ctx, it) }); err != nil {
				stop(err)
			}
		})
	}
	wg.Wait()
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	return nil
}

// head puts into an item that was listed what only its own headers say. What has changed
// since, or may not be asked for, stays as it was listed.
func (s *Service) head(ctx context.Context, it *cloud.Item) error {
	now, err := s.stat(ctx, strings.TrimPrefix(it.ID, "="))
	var e *cloud.Error
	switch {
	case err == nil && now.Version == it.Version && now.Size == it.Size:
		now.Class = it.Class // a listing and a HEAD don't always say the same
		*it = now
		return nil
	case err == nil:
		return nil
	case errors.As(err, &e) && (e.Class == cloud.NotVisible || e.Class == cloud.ThisFile):
		return nil
	}
	return err
}

// stat is an object with its checksums.
func (s *Service) stat(ctx context.Context, key string) (cloud.Item, error) {
	ask := !s.noSums.Load()
	x, err := s.headers(ctx, key, ask)
	var e *cloud.Error
	if errors.As(err, &e) && e.Status == http.StatusBadRequest && ask {
		// Some services refuse the question itself.
		if bare, again := s.headers(ctx, key, false); again == nil {
			s.noSums.Store(true)
			x, err = bare, nil
		}
	}
	if err != nil {
		return cloud.Item{}, err
	}
	x.Key, x.StorageClass = key, x.Headers.Get("X-Amz-Storage-Class")
	it := s.blob(&x)
	encrypted := strings.HasPrefix(x.Headers.Get("X-Amz-Server-Side-Encryption"), "aws:kms") || x.Headers.Get("X-Amz-Server-Side-Encryption-Customer-Algorithm") != ""
	if encrypted {
		it.Sum, it.Basis = fixity.Digest{}, "" // its ETag is no MD5
	}
	if d := sum(&x); !d.IsZero() {
		it.Sum, it.Basis = d, ""
	} else if d, weak, n := ofParts(&x); n > 0 && it.Sum.IsZero() && !(weak && encrypted) {
		it.Basis = fixity.ByParts
		if it.Sum, err = s.joined(ctx, key, it.Size, d, n); err != nil {
			return cloud.Item{}, err
		}
		switch {
		case it.Sum.IsZero():
		case weak:
			it.Basis = fixity.ByTagParts
		default:
			it.Basis = fixity.ByJoined
		}
	}
	// They are told to a key that may see them (Amazon S3 API Reference, HeadObject).
	if end, err := time.Parse(time.RFC3339, x.Headers.Get("X-Amz-Object-Lock-Retain-Until-Date")); err == nil {
		it.LockEnd = end.UTC()
		if it.Lock = "governance"; x.Headers.Get("X-Amz-Object-Lock-Mode") == "COMPLIANCE" {
			it.Lock = "compliance"
		}
	}
	it.Hold = x.Headers.Get("X-Amz-Object-Lock-Legal-Hold") == "ON"
	// Intelligent-Tiering has archives of its own, of which the class says nothing (Amazon S3
	// API Reference, HeadObject, x-amz-archive-status).
	if (archived[it.Class] || x.Headers.Get("X-Amz-Archive-Status") != "") && (x.Restore == nil || x.Restore.OngoingRestore) {
		it.NoBytes = true
	}
	return it, nil
}

// headers are what a HEAD says of an object.
func (s *Service) headers(ctx context.Context, key string, sums bool) (x minio.ObjectInfo, err error) {
	err = s.ask(ctx, func(ctx context.Context) (err error) {
		x, err = s.client.StatObject(ctx, s.o.Bucket, key, minio.StatObjectOptions{Checksum: sums})
		return err
	})
	return x, err
}

// object is the object at a key, or what was deleted there and is kept as an earlier version.
func (s *Service) object(ctx context.Context, key string) (cloud.Item, error) {
	it, err := s.stat(ctx, key)
	var e *cloud.Error
	if !errors.As(err, &e) || e.Class != cloud.NotVisible {
		return it, err
	}
	if old, ok := s.deleted(ctx, key); ok {
		return old, nil
	}
	return it, err
}

// deleted is what a delete marker at a key says: when it was put there, and until when the
// bucket's rules keep the version below it, if one is there.
func (s *Service) deleted(ctx context.Context, key string) (it cloud.Item, ok bool) {
	marker := false
	for x := range s.client.ListObjectsIter(ctx, s.o.Bucket, minio.ListObjectsOptions{Prefix: key, WithVersions: true, MaxKeys: 50, Recursive: true}) {
		if x.Err != nil || x.Key != key {
			break // nothing is said of it, then
		}
		switch {
		case x.IsDeleteMarker && x.IsLatest:
			marker = true
			it = s.blob(&minio.ObjectInfo{Key: key, LastModified: x.LastModified})
			it.InBin, it.Binned, it.Kept, it.BinAt = true, true, true, x.LastModified.UTC()
		case marker && !x.IsDeleteMarker:
			it.Size = x.Size
			if days := s.keptDays(ctx, key); days > 0 {
				it.BinDays, it.GoneAt = days, it.BinAt.AddDate(0, 0, days)
			}
			return it, true
		}
	}
	return it, false
}

// keptDays is for how many days the bucket's rules keep earlier versions of a key, or of all
// that is in a folder. It is 0 if they say nothing of it, if this key may not see them, and if
// one of them takes earlier versions of some objects there alone: by tags, by size, or deeper.
func (s *Service) keptDays(ctx context.Context, key string) int {
	rules, err := s.client.GetBucketLifecycle(ctx, s.o.Bucket)
	if err != nil {
		return 0
	}
	days := 0
	for _, r := range rules.Rules {
		f, n := r.RuleFilter, int(r.NoncurrentVersionExpiration.NoncurrentDays)
		all := r.AllVersionsExpiration.Days > 0 // whatever is below the newest goes, too
		if r.Status != "Enabled" || n <= 0 && !all {
			continue
		}
		prefix := cmp.Or(f.Prefix, f.And.Prefix, r.Prefix)
		f.Prefix, f.And.Prefix = "", ""
		folder := key == "" || strings.HasSuffix(key, "/")
		switch {
		case strings.HasPrefix(key, prefix) && f.IsNull() && !all:
			if days == 0 || n < days {
				days = n
			}
		case strings.HasPrefix(key, prefix), folder && strings.HasPrefix(prefix, key):
			return 0
		}
	}
	return days
}
