// Package s3test is a server that speaks a part of the S3 protocol: listings, versions,
// objects with ranges and checksums, by the Amazon S3 API Reference. It only reads; tests put
// things into it. What is tried against it says something of the client alone: real servers
// of the protocol are beside it in the tests of package s3.
package s3test

import (
	"bytes"
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"encoding/base64"
	"encoding/hex"
	"encoding/xml"
	"fmt"
	"hash"
	"hash/crc32"
	"hash/crc64"
	"net/http"
	"net/url"
	"slices"
	"strconv"
	"strings"
	"sync"
	"time"
)

// Key is the access key that the server knows.
const Key = "FIRMUSTEST"

// Version is one version of an object.
type Version struct {
	Data     []byte
	Sum      string // "sha256", "crc64nvme", "crc32c" or "": what was recorded when it was uploaded
	Part     int    // size of the parts of an upload, but the last; 0: nobody can ask for it, and sums are of nothing
	Parts    int    // of an upload in parts: ETag and Sum are of the parts
	KMS      bool   // encrypted with a key of one's own: the ETag is no MD5
	Class    string
	Archive  string // of Intelligent-Tiering: HEAD alone tells it
	Restored bool
	Lock     string // mode of a lock until
	Until    time.Time
	Hold     bool // a legal hold
	Marker   bool // deleted
	At       time.Time
	id       string
	etag     string
	header   http.Header
}

// Server is a bucket. Its fields are set before it serves.
type Server struct {
	Bucket string
	Now    func() time.Time
	Page   int    // keys on a page; 0 is as many as are asked for
	Raw    bool   // doesn't take part in encoding-type: what XML can't hold becomes U+FFFD
	NoSums bool   // refuses to be asked for checksums, with 400
	Quiet  bool   // listings don't say which checksums there are
	Kept   int    // days that earlier versions are kept; 0: no rule
	Rules  string // rules of the lifecycle as XML, in place of Kept's
	Frozen bool   // no longer keeps versions
	Lock   string

	mu   sync.Mutex
	keys map[string][]Version // the newest last
	n    int
}

// Put puts a version on top of a key.
func (s *Server) Put(key string, v Version) {
	s.mu.Lock()
	defer s.mu.Unlock()
	if s.keys == nil {
		s.keys = map[string][]Version{}
	}
	s.n++
	v.id, v.At, v.header = fmt.Sprintf("v%d", s.n), s.Now().UTC(), http.Header{}
	of := func(h hash.Hash, b []byte) []byte { h.Reset(); h.Write(b); return h.Sum(nil) }
	whole := func(h hash.Hash) []byte {
		if v.Parts == 0 || v.Part == 0 {
			return of(h, v.Data)
		}
		var all []byte
		for part := range slices.Chunk(v.Data, v.Part) {
			all = append(all, of(h, part)...)
		}
		return of(h, all)
	}
	sum := whole(md5.New())
	if v.KMS {
		sum = of(md5.New(), []byte("encrypted"+string(v.Data)))
		v.header.Set("x-amz-server-side-encryption", "aws:kms")
	}
	v.etag = hex.EncodeToString(sum)
	var b []byte
	if h, ok := map[string]hash.Hash{"sha256": sha256.New(), "sha1": sha1.New(), "crc64nvme": crc64.New(crc64.MakeTable(0x9a6c9329ac4bc9b5)),
		"crc32c": crc32.New(crc32.MakeTable(crc32.Castagnoli)), "crc32": crc32.NewIEEE()}[v.Sum]; ok {
		b = whole(h)
	}
	if b != nil {
		text := base64.StdEncoding.EncodeToString(b)
		v.header.Set("x-amz-checksum-type", "FULL_OBJECT")
		if v.Parts > 0 {
			text += fmt.Sprintf("-%d", v.Parts)
			v.header.Set("x-amz-checksum-type", "COMPOSITE")
		}
		v.header.Set("x-amz-checksum-"+v.Sum, text)
	}
	if v.Parts > 0 {
		v.etag += fmt.Sprintf("-%d", v.Parts)
	}
	s.keys[key] = append(s.keys[key], v)
}

// Delete puts a delete marker on top of a key.
func (s *Server) Delete(key string) { s.Put(key, Version{Marker: true}) }

// Purge takes a key away with all its versions.
func (s *Server) Purge(key string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	delete(s.keys, key)
}

// Rot turns a bit of a key's newest version; all that is said of it stays.
func (s *Server) Rot(key string, at int64) {
	s.mu.Lock()
	defer s.mu.Unlock()
	all := s.keys[key]
	v := &all[len(all)-1]
	v.Data = bytes.Clone(v.Data)
	v.Data[at] ^= 1
}

func refuse(w http.ResponseWriter, r *http.Request, status int, code string) {
	w.Header().Set("Content-Type", "application/xml")
	w.WriteHeader(status)
	if r.Method != http.MethodHead {
		fmt.Fprintf(w, "<?xml version=\"1.0\"?><Error><Code>%s</Code><Message>%s of AKID secret</Message></Error>", code, code)
	}
}

// ServeHTTP answers GET and HEAD.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	now := s.Now()
	w.Header().Set("Date", now.UTC().Format(http.TimeFormat))
	at, err := time.Parse("20060102T150405Z", r.Header.Get("X-Amz-Date"))
	bucket, key, _ := strings.Cut(strings.TrimPrefix(r.URL.Path, "/"), "/")
	switch q := r.URL.Query(); {
	case r.Method != http.MethodGet && r.Method != http.MethodHead:
		refuse(w, r, http.StatusMethodNotAllowed, "MethodNotAllowed")
	case !strings.Contains(r.Header.Get("Authorization"), "Credential="+Key+"/"):
		refuse(w, r, http.StatusForbidden, "InvalidAccessKeyId")
	case err != nil || now.Sub(at).Abs() > 15*time.Minute:
		refuse(w, r, http.StatusForbidden, "RequestTimeTooSkewed")
	case bucket != s.Bucket:
		refuse(w, r, http.StatusNotFound, "NoSuchBucket")
	case key != "":
		s.object(w, r, key)
	case q.Has("lifecycle") && s.Rules != "":
		fmt.Fprintf(w, "<LifecycleConfiguration>%s</LifecycleConfiguration>", s.Rules)
	case q.Has("versioning") && s.Frozen:
		fmt.Fprint(w, "<VersioningConfiguration><Status>Suspended</Status></VersioningConfiguration>")
	case q.Has("lifecycle") && s.Kept > 0:
		fmt.Fprintf(w, "<LifecycleConfiguration><Rule><ID>a</ID><Status>Enabled</Status><Filter><Prefix></Prefix></Filter><NoncurrentVersionExpiration><NoncurrentDays>%d</NoncurrentDays></NoncurrentVersionExpiration></Rule></LifecycleConfiguration>", s.Kept)
	case q.Has("lifecycle"):
		refuse(w, r, http.StatusNotFound, "NoSuchLifecycleConfiguration")
	case q.Has("object-lock") && s.Lock != "":
		fmt.Fprintf(w, "<ObjectLockConfiguration><ObjectLockEnabled>Enabled</ObjectLockEnabled><Rule><DefaultRetention><Mode>%s</Mode><Days>30</Days></DefaultRetention></Rule></ObjectLockConfiguration>", s.Lock)
	case q.Has("object-lock"):
		refuse(w, r, http.StatusNotFound, "ObjectLockConfigurationNotFoundError")
	case q.Has("versioning"):
		fmt.Fprint(w, "<VersioningConfiguration><Status>Enabled</Status></VersioningConfiguration>")
	case q.Has("versions"):
		s.versions(w, q)
	default:
		s.list(w, r, q)
	}
}

func (s *Server) object(w http.ResponseWriter, r *http.Request, key string) {
	all := s.keys[key]
	if len(all) == 0 || all[len(all)-1].Marker {
		if len(all) > 0 {
			w.Header().Set("x-amz-delete-marker", "true")
		}
		refuse(w, r, http.StatusNotFound, "NoSuchKey")
		return
	}
	v := &all[len(all)-1]
	h := w.Header()
	if r.Method == http.MethodHead && r.URL.Query().Has("partNumber") {
		if v.Part == 0 {
			refuse(w, r, http.StatusNotImplemented, "NotImplemented")
			return
		}
		h.Set("ETag", `"`+v.etag+`"`)
		h.Set("Last-Modified", v.At.Format(http.TimeFormat))
		h.Set("Content-Length", strconv.Itoa(min(v.Part, len(v.Data))))
		h.Set("x-amz-mp-parts-count", strconv.Itoa(v.Parts))
		w.WriteHeader(http.StatusPartialContent)
		return
	}
	if r.Header.Get("x-amz-checksum-mode") != "" {
		if s.NoSums {
			refuse(w, r, http.StatusBadRequest, "InvalidArgument")
			return
		}
		for k, x := range v.header {
			h[k] = x
		}
	} else if v.KMS {
		h.Set("x-amz-server-side-encryption", "aws:kms")
	}
	h.Set("ETag", `"`+v.etag+`"`)
	h.Set("x-amz-version-id", v.id)
	if v.Archive != "" {
		h.Set("x-amz-archive-status", v.Archive)
	}
	if v.Class != "" {
		h.Set("x-amz-storage-class", v.Class)
		if v.Restored {
			h.Set("x-amz-restore", `ongoing-request="false", expiry-date="Fri, 21 Dec 2035 00:00:00 GMT"`)
		} else if r.Method == http.MethodGet {
			refuse(w, r, http.StatusForbidden, "InvalidObjectState")
			return
		}
	}
	if v.Lock != "" {
		h.Set("x-amz-object-lock-mode", v.Lock)
		h.Set("x-amz-object-lock-retain-until-date", v.Until.UTC().Format("2006-01-02T15:04:05.000Z"))
	}
	if v.Hold {
		h.Set("x-amz-object-lock-legal-hold", "ON")
	}
	h.Set("Content-Type", "application/octet-stream")
	http.ServeContent(w, r, "", v.At, bytes.NewReader(v.Data))
}

type xmlObject struct {
	Key, LastModified, ETag, StorageClass string
	Size                                  int
	ChecksumAlgorithm, ChecksumType       string `xml:",omitempty"`
	VersionId                             string `xml:",omitempty"`
	IsLatest                              string `xml:",omitempty"`
}

func (s *Server) named(key string, raw bool) string {
	if raw {
		return key
	}
	return url.QueryEscape(key)
}

func (s *Server) shown(key string, v *Version, raw bool) xmlObject {
	x := xmlObject{Key: s.named(key, raw), LastModified: v.At.Format("2006-01-02T15:04:05.000Z"), ETag: `"` + v.etag + `"`, Size: len(v.Data), StorageClass: "STANDARD"}
	if v.Class != "" {
		x.StorageClass = v.Class
	}
	if v.Sum != "" && !s.Quiet {
		x.ChecksumAlgorithm, x.ChecksumType = strings.ToUpper(v.Sum), "FULL_OBJECT"
		if v.Parts > 0 {
			x.ChecksumType = "COMPOSITE"
		}
	}
	return x
}

func (s *Server) sorted(prefix string) []string {
	var all []string
	for k := range s.keys {
		if strings.HasPrefix(k, prefix) {
			all = append(all, k)
		}
	}
	slices.Sort(all)
	return all
}

func (s *Server) list(w http.ResponseWriter, r *http.Request, q url.Values) {
	prefix, delimiter, after := q.Get("prefix"), q.Get("delimiter"), ""
	if t := q.Get("continuation-token"); t != "" {
		b, err := hex.DecodeString(t)
		if err != nil {
			refuse(w, r, http.StatusBadRequest, "InvalidArgument")
			return
		}
		after = string(b)
	}
	most, _ := strconv.Atoi(q.Get("max-keys"))
	if s.Page > 0 {
		most = min(most, s.Page)
	}
	raw := s.Raw || q.Get("encoding-type") != "url"
	var out struct {
		XMLName               xml.Name `xml:"ListBucketResult"`
		Name                  string
		Prefix                string
		EncodingType          string `xml:",omitempty"`
		KeyCount, MaxKeys     int
		IsTruncated           bool
		NextContinuationToken string `xml:",omitempty"`
		Contents              []xmlObject
		CommonPrefixes        []struct{ Prefix string }
	}
	out.Name, out.Prefix, out.MaxKeys = s.Bucket, s.named(prefix, raw), most
	if !raw {
		out.EncodingType = "url"
	}
	last, common := "", ""
	for _, key := range s.sorted(prefix) {
		v := &s.keys[key][len(s.keys[key])-1]
		if v.Marker || key <= after {
			continue
		}
		at := key
		if i := strings.Index(key[len(prefix):], "/"); delimiter != "" && i >= 0 {
			at = key[:len(prefix)+i+1]
			if at == common || at <= after {
				continue
			}
		}
		if out.KeyCount == most {
			out.IsTruncated, out.NextContinuationToken = true, hex.EncodeToString([]byte(last))
			break
		}
		out.KeyCount++
		if last = at; at != key {
			common = at
			last = at + "\U0010ffff"
			out.CommonPrefixes = append(out.CommonPrefixes, struct{ Prefix string }{s.named(at, raw)})
		} else {
			out.Contents = append(out.Contents, s.shown(key, v, raw))
		}
	}
	w.Header().Set("Content-Type", "application/xml")
	xml.NewEncoder(w).Encode(out)
}

func (s *Server) versions(w http.ResponseWriter, q url.Values) {
	raw := s.Raw || q.Get("encoding-type") != "url"
	var b strings.Builder
	fmt.Fprintf(&b, "<ListVersionsResult><Name>%s</Name><IsTruncated>false</IsTruncated>", s.Bucket)
	if !raw {
		b.WriteString("<EncodingType>url</EncodingType>")
	}
	for _, key := range s.sorted(q.Get("prefix")) {
		all := s.keys[key]
		for i := len(all) - 1; i >= 0; i-- {
			x := s.shown(key, &all[i], raw)
			x.VersionId, x.IsLatest = all[i].id, strconv.FormatBool(i == len(all)-1)
			name := "Version"
			if all[i].Marker {
				name = "DeleteMarker"
			}
			xml.NewEncoder(&b).EncodeElement(x, xml.StartElement{Name: xml.Name{Local: name}})
		}
	}
	b.WriteString("</ListVersionsResult>")
	w.Header().Set("Content-Type", "application/xml")
	w.Write([]byte(b.String()))
}
