package wire

import (
	"context"
	"crypto/tls"
	"crypto/x509"
	"errors"
	"fmt"
	"io"
	"mime"
	"net/http"
	"net/url"
	"path"
	"strconv"
	"strings"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
)

// Transport bounds what has no bound of its own; package cloud bounds the rest. It uses no
// proxy.
func Transport() *http.Transport {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.Proxy = nil
	t.ResponseHeaderTimeout = time.Minute
	t.MaxIdleConnsPerHost = 4
	return t
}

// ErrRedirect: an answer sends the call to another place.
var ErrRedirect = errors.New("sent to another address")

// Stay is a http.Client's CheckRedirect that follows none: a credential would be sent along.
func Stay(*http.Request, []*http.Request) error { return ErrRedirect }

// Dated carries calls and notes how far this computer's clock is from the server's.
type Dated struct {
	Base http.RoundTripper
	Now  func() time.Time
	mu   sync.Mutex
	off  time.Duration // this computer's clock is so far ahead
	seen bool
}

// RoundTrip is that of Base.
func (d *Dated) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := d.Base.RoundTrip(r)
	if err == nil {
		if t, err := http.ParseTime(res.Header.Get("Date")); err == nil {
			d.mu.Lock()
			d.off, d.seen = d.Now().Sub(t), true
			d.mu.Unlock()
		}
	}
	return res, err
}

// clockSlack is how far a clock may be off.
const clockSlack = 2 * time.Minute

// Skew is what is wrong with this computer's clock, as far as a server said its own; what
// comes of a wrong one is for the service to say.
func (d *Dated) Skew(comes string) []cloud.Problem {
	d.mu.Lock()
	off, ok := d.off, d.seen
	d.mu.Unlock()
	if !ok || off.Abs() <= clockSlack {
		return nil
	}
	way := "ahead of"
	if off < 0 {
		way = "behind"
	}
	return []cloud.Problem{{
		Text: fmt.Sprintf("this computer's clock is %s %s the service's", off.Abs().Round(time.Second), way),
		Do:   "set the clock right, and let the system keep it so: " + comes,
	}}
}

// ErrTooLong: an answer has more bytes than it can need.
var ErrTooLong = errors.New("the answer doesn't end")

// Body is an answer of at most Left bytes.
type Body struct {
	io.ReadCloser
	Left int64
}

// Read fails with ErrTooLong after Left bytes.
func (b *Body) Read(p []byte) (int, error) {
	if b.Left <= 0 {
		return 0, ErrTooLong
	}
	n, err := b.ReadCloser.Read(p[:min(int64(len(p)), b.Left)])
	b.Left -= int64(n)
	return n, err
}

// ETag is what an ETag says without the marks around it (RFC 9110, section 8.8.3): the same
// version's may be weak for a moment after a change, and strong later.
func ETag(text string) string {
	return strings.Trim(strings.TrimPrefix(strings.TrimSpace(text), "W/"), `"`)
}

// timed begins a version that is told by a time.
const timed = "of "

// Dating is the version of a file that has no ETag, by its time.
func Dating(t time.Time) string { return timed + t.Format(time.RFC3339) }

// TagOf is the ETag of a version, "" if Dating made it.
func TagOf(version string) string {
	if strings.HasPrefix(version, timed) {
		return ""
	}
	return version
}

// Names are the names in the path of a folder, as people write it. One that leads out of
// where it lies is refused (fixity.ErrRefused).
func Names(folder string) (all []string, err error) {
	for name := range strings.SplitSeq(folder, "/") {
		if name == "." || name == ".." {
			return nil, fmt.Errorf("%w: the folder %q leads elsewhere", fixity.ErrRefused, folder)
		}
		if name != "" {
			all = append(all, name)
		}
	}
	return all, nil
}

// RightBytes says of an answer of status 2xx whether it has the bytes of a file from offset to
// its end, of the version with an ETag: nil, or an error as those of RightRange. Bytes that
// don't say that they are of that version are not believed; where it has no ETag, all are
// but a page for people. With changed, when the file was changed, an answer without any ETag
// is believed if it says how long the file is, and no other time: the caller sees that the
// version is the same before and after.
func RightBytes(res *http.Response, name, tag string, changed time.Time, offset, size int64) error {
	switch got := ETag(res.Header.Get("ETag")); {
	case tag != "" && got == ETag(tag):
	case IsPage(res, name):
		return PageInstead(res.StatusCode, "the file's bytes")
	case tag != "" && (got != "" || !ofTime(res, changed)):
		return &cloud.Error{Class: cloud.Later, Status: res.StatusCode, Text: "bytes came, and they don't say that they are of the version that was asked for"}
	}
	return RightRange(res, offset, size)
}

// ofTime says that an answer with a length says no other time than that.
func ofTime(res *http.Response, changed time.Time) bool {
	text := res.Header.Get("Last-Modified")
	at, err := http.ParseTime(text)
	return !changed.IsZero() && (res.StatusCode == http.StatusPartialContent || res.ContentLength >= 0) &&
		(text == "" || err == nil && at.Equal(changed.Truncate(time.Second)))
}

// IsPage says that an answer is a page for people, whatever its status says, and that the
// file of that name is none.
func IsPage(res *http.Response, name string) bool {
	kind, _, _ := mime.ParseMediaType(res.Header.Get("Content-Type"))
	ext := strings.ToLower(path.Ext(name))
	return kind == "text/html" && ext != ".html" && ext != ".htm"
}

// PageInstead is the error for such an answer.
func PageInstead(status int, of string) error {
	return &cloud.Error{Class: cloud.Later, Status: status, Text: "a web page came instead of " + of + ": an outage of the service, or a sign-in page of the network between"}
}

// Range is the header with which a file's bytes are asked for from offset to its end. It is
// sent for the whole file, too: without it Go's transport offers to take them compressed.
func Range(offset, size int64) string { return fmt.Sprintf("bytes=%d-%d", offset, size-1) }

// RightRange says whether an answer has the bytes that were asked for (RFC 9110, sections
// 14.4 and 15.3.7): nil, or an error that wraps cloud.ErrOtherSize or is an answer that
// can't be right.
func RightRange(res *http.Response, offset, size int64) error {
	switch {
	case res.StatusCode == http.StatusRequestedRangeNotSatisfiable:
		return fmt.Errorf("%w: no byte %d is there", cloud.ErrOtherSize, offset)
	case res.StatusCode == http.StatusOK && offset == 0:
		if res.ContentLength == 0 && size > 0 { // somebody on the way said that all is well
			return Nonsense(res.StatusCode, errors.New("an empty answer came instead of the file's bytes"))
		}
		if res.ContentLength >= 0 && res.ContentLength != size {
			return fmt.Errorf("%w: %d bytes are offered", cloud.ErrOtherSize, res.ContentLength)
		}
		return nil
	case res.StatusCode != http.StatusPartialContent:
		return Nonsense(res.StatusCode, fmt.Errorf("a range was asked for, and answered with status %d", res.StatusCode))
	}
	var from, to, all int64
	text := res.Header.Get("Content-Range")
	if n, err := fmt.Sscanf(text, "bytes %d-%d/%d", &from, &to, &all); err != nil || n != 3 {
		return Nonsense(res.StatusCode, fmt.Errorf("Content-Range %q can't be understood", text))
	}
	if all != size {
		return fmt.Errorf("%w: it has %d bytes", cloud.ErrOtherSize, all)
	}
	if from != offset || to != size-1 {
		return Nonsense(res.StatusCode, fmt.Errorf("bytes %d to %d were asked for, and %d to %d given", offset, size-1, from, to))
	}
	return nil
}

// Nonsense is for an answer, of a status, that can't be right. It may be another the next
// time; the service was reached.
func Nonsense(status int, err error) error {
	return &cloud.Error{Class: cloud.Later, Status: status, Text: "the service gave an answer that can't be right", Err: err}
}

// After is how long a Retry-After header asks to wait (RFC 9110, section 10.2.3).
func After(h http.Header, now time.Time) time.Duration {
	v := h.Get("Retry-After")
	if s, err := strconv.ParseInt(v, 10, 32); err == nil && s > 0 {
		return time.Duration(s) * time.Second
	}
	if t, err := http.ParseTime(v); err == nil {
		return max(t.Sub(now), 0)
	}
	return 0
}

// Unreached is what a call came to that got no answer. A certificate that isn't trusted
// doesn't get better by waiting; who gave up the call is told so as it is. No address
// stands in it: a long one says nothing to a person.
func Unreached(err error) error {
	var invalid x509.CertificateInvalidError
	var host x509.HostnameError
	var unknown x509.UnknownAuthorityError
	var cert *tls.CertificateVerificationError
	switch {
	case errors.Is(err, context.Canceled):
		return err
	case errors.Is(err, ErrRedirect):
		return &cloud.Error{Class: cloud.Refused, Text: "the service sent the call elsewhere; no credential is sent there", Err: ErrRedirect}
	case errors.Is(err, ErrTooLong):
		return Nonsense(http.StatusOK, ErrTooLong)
	case errors.As(err, &invalid), errors.As(err, &host), errors.As(err, &unknown), errors.As(err, &cert):
		return &cloud.Error{Class: cloud.Blind, Text: "the server's certificate is not one that this computer trusts: it may be another server", Err: bare(err)}
	}
	return &cloud.Error{Class: cloud.Later, Text: "the service was not reached", Err: bare(err)}
}

// bare is err without an address.
func bare(err error) error {
	var u *url.Error
	if errors.As(err, &u) {
		return u.Err
	}
	return err
}
