package s3

import (
	"context"
	"encoding/xml"
	"errors"
	"fmt"
	"io"
	"net/http"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/wire"

	"github.com/minio/minio-go/v7"
)

// maxAnswer bounds an answer that is no object's bytes: a page of 1,000 keys of 1,024
// bytes, each written with three characters, is 4 MB.
const maxAnswer = 16 << 20

// meaning is what an error code stands for.
type meaning struct {
	class cloud.Class
	text  string
}

const notAccepted = "the service does not accept the key"

// codes are those of the Amazon S3 API Reference, "Error responses", and of services that
// have others. What isn't here is judged by its status.
var codes = map[string]meaning{
	"InvalidAccessKeyId":    {cloud.Blind, "the service does not know the access key"},
	"XAdminUserNotFound":    {cloud.Blind, "the service does not know the access key"},
	"SignatureDoesNotMatch": {cloud.Blind, "the secret key is not the access key's"},
	"RequestTimeTooSkewed":  {cloud.Blind, "this computer's clock is wrong: the service refuses requests of another time"},
	"RequestExpired":        {cloud.Blind, "this computer's clock is wrong: the service refuses requests of another time"},
	"InvalidToken":          {cloud.Blind, notAccepted},
	"ExpiredToken":          {cloud.Blind, "the session token has run out"},
	"NotSignedUp":           {cloud.Blind, notAccepted},
	"AccountProblem":        {cloud.Blind, "there is something wrong with the account at the service"},
	"AllAccessDisabled":     {cloud.Blind, "the service has closed the bucket"},

	"AuthorizationHeaderMalformed": {cloud.Blind, "the service has the bucket in another region"},
	"InvalidRegion":                {cloud.Blind, "the service has the bucket in another region"},
	"PermanentRedirect":            {cloud.Refused, "the bucket has another endpoint"},
	"NoSuchBucket":                 {cloud.NotVisible, "there is no bucket of that name"},
	"NoSuchKey":                    {cloud.NotVisible, notThere.Text},

	"InvalidObjectState":     {cloud.ThisFile, "it lies in an archive class: it can't be read now, before somebody restores it"},
	"SlowDown":               {cloud.Later, "too many calls at once"},
	"ServiceUnavailable":     {cloud.Later, "the service has an outage"},
	"InternalError":          {cloud.Later, "the service has an outage"},
	"RequestTimeout":         {cloud.Later, "the service asks to come back later"},
	"OperationAborted":       {cloud.Later, "the service asks to come back later"},
	"DownloadCapExceeded":    {cloud.Tomorrow, "the downloads for today are used up"},
	"TransactionCapExceeded": {cloud.Tomorrow, "the calls for today are used up"},
}

// trip carries calls, makes errors of all answers that aren't what was asked for, and bounds
// the others. It judges answers itself: of a HEAD the client library invents a code.
type trip struct {
	*wire.Dated
	host, bucket string
	region       string // host of the bucket's region, as the client library has it
}

// said is where a call's error is put. The client library is given a refusal in its place:
// it waits after errors that it holds for such as pass, also if it isn't to try again.
type said struct{ err error }

type saidKey struct{}

// ask makes a call of the client library, and gives its error as package cloud has them.
func (s *Service) ask(ctx context.Context, call func(context.Context) error) error {
	x := &said{}
	err := call(context.WithValue(ctx, saidKey{}, x))
	if err != nil && x.err != nil {
		return x.err
	}
	if err != nil {
		return theirs(err)
	}
	return nil
}

func (t *trip) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := t.trip(r)
	if x, ok := r.Context().Value(saidKey{}).(*said); ok && err != nil {
		x.err = err
		return &http.Response{StatusCode: http.StatusBadRequest, Status: "400", Proto: "HTTP/1.1", ProtoMajor: 1, ProtoMinor: 1, Header: http.Header{}, Body: http.NoBody, Request: r}, nil
	}
	return res, err
}

func (t *trip) trip(r *http.Request) (*http.Response, error) {
	if r.Method != http.MethodGet && r.Method != http.MethodHead {
		return nil, fmt.Errorf("%w: %s would change something", fixity.ErrRefused, r.Method)
	}
	if h := r.URL.Host; h != t.region && h != t.host && h != t.bucket+"."+t.host {
		return nil, wire.Unreached(wire.ErrRedirect)
	}
	res, err := t.Dated.RoundTrip(r)
	if err != nil {
		return nil, wire.Unreached(err)
	}
	if err := t.judge(r, res); err != nil {
		res.Body.Close()
		return nil, err
	}
	if r.Header.Get("Range") == "" {
		res.Body = &wire.Body{ReadCloser: res.Body, Left: maxAnswer}
	}
	return res, nil
}

// judge is the error that an answer is, or nil.
func (t *trip) judge(r *http.Request, res *http.Response) error {
	var offset, last int64
	n, _ := fmt.Sscanf(r.Header.Get("Range"), "bytes=%d-%d", &offset, &last)
	bytes := n == 2
	page := wire.IsPage(res, r.URL.Path)
	switch c := res.StatusCode; {
	case bytes && c == http.StatusPreconditionFailed:
		return fmt.Errorf("%w: another version lies there now", fixity.ErrChanged)
	case bytes && c == http.StatusRequestedRangeNotSatisfiable:
		return wire.RightRange(res, offset, last+1)
	case bytes && c/100 == 2:
		return wire.RightBytes(res, r.URL.Path, r.Header.Get("If-Match"), time.Time{}, offset, last+1)
	case c == http.StatusOK && r.Method == http.MethodHead && res.Header.Get("Last-Modified") == "":
		return &cloud.Error{Class: cloud.Later, Status: c, Text: "what answers is no such service: an outage, or a sign-in page of the network between"}
	case c == http.StatusOK && (!page || r.Method == http.MethodHead), c == http.StatusPartialContent && r.URL.Query().Has("partNumber"):
		return nil
	case c/100 == 2:
		return wire.PageInstead(c, "what was asked for")
	}
	return t.failed(r, res)
}

// failed is the error of an answer that says no.
func (t *trip) failed(r *http.Request, res *http.Response) error {
	e := &cloud.Error{Status: res.StatusCode, After: wire.After(res.Header, t.Now())}
	var body struct {
		XMLName xml.Name `xml:"Error"`
		Code    string
		Region  string
	}
	if r.Method == http.MethodGet && xml.NewDecoder(io.LimitReader(res.Body, 1<<20)).Decode(&body) == nil {
		e.Reason = word(body.Code)
	}
	m, known := codes[e.Reason]
	object := strings.Contains(strings.Trim(strings.TrimPrefix(r.URL.Path, "/"+t.bucket), "/"), "/") || r.URL.RawQuery == "" || r.Method == http.MethodHead
	switch c := res.StatusCode; {
	case known:
		e.Class, e.Text = m.class, m.text
	case c == http.StatusNotFound || c == http.StatusGone:
		e.Class, e.Text = cloud.NotVisible, notThere.Text
	case c == http.StatusUnauthorized:
		e.Class, e.Text = cloud.Blind, notAccepted
	case c == http.StatusBadRequest && r.Method == http.MethodHead:
		// Amazon S3 API Reference, HeadObject: so it answers of what is encrypted with a
		// customer's key. The listing was answered; it is about this object.
		e.Class, e.Text = cloud.ThisFile, "the service does not tell of it as it is asked: it may be encrypted with a key that the service doesn't keep"
	case c == http.StatusForbidden && object:
		e.Class, e.Text = cloud.ThisFile, "the service does not give it to this key"
	case c == http.StatusForbidden:
		e.Class, e.Text = cloud.Blind, "the service does not let this key list the bucket"
	case c == http.StatusRequestTimeout || c == http.StatusTooEarly || c == http.StatusTooManyRequests:
		e.Class, e.Text = cloud.Later, "the service asks to come back later"
	case c >= 500 && c != http.StatusNotImplemented:
		e.Class, e.Text = cloud.Later, "the service has an outage"
	case c/100 == 3:
		e.Class, e.Text = cloud.Refused, "the service sends the call elsewhere; no key is used there. See that endpoint and region are right"
	default:
		e.Class, e.Text = cloud.Refused, "the service does not accept the call"
	}
	if region := word(body.Region); region != "" && (e.Class == cloud.Blind || res.StatusCode/100 == 3) {
		e.Text += " (" + strconv.Quote(region) + ")"
	}
	return e
}

// word is a code or name of a service's answer, "" if it is anything else: of what a server
// says, nothing else is shown.
func word(s string) string {
	if len(s) > 64 || strings.ContainsFunc(s, func(r rune) bool {
		return !(r >= 'a' && r <= 'z' || r >= 'A' && r <= 'Z' || r >= '0' && r <= '9' || r == '-' || r == '_' || r == '.')
	}) {
		return ""
	}
	return s
}

// within has calls end with a context.
type within struct {
	base http.RoundTripper
	ctx  context.Context
}

func (w *within) RoundTrip(r *http.Request) (*http.Response, error) {
	return w.base.RoundTrip(r.WithContext(w.ctx))
}

// theirs is what the client library itself finds fault with.
func theirs(err error) error {
	var refused minio.ErrorResponse
	var syntax *xml.SyntaxError
	var other xml.UnmarshalError
	switch {
	case errors.Is(err, context.Canceled):
		return context.Canceled
	case errors.Is(err, wire.ErrTooLong):
		return wire.Nonsense(http.StatusOK, wire.ErrTooLong)
	case errors.As(err, &syntax), errors.As(err, &other), errors.Is(err, io.ErrUnexpectedEOF), errors.Is(err, io.EOF):
		return &cloud.Error{Class: cloud.Later, Text: "the answer was cut off, or is none"}
	case errors.As(err, &refused) && refused.StatusCode == http.StatusBadRequest: // it sends no such name
		return &cloud.Error{Class: cloud.NotVisible, Text: "the service can hold nothing of that name", Reason: word(refused.Code)}
	case errors.As(err, &refused):
		return wire.Nonsense(http.StatusOK, errors.New(word(refused.Code)))
	}
	return wire.Unreached(err)
}

// Advice is what a person can do about err.
func (s *Service) Advice(err error) string {
	var e *cloud.Error
	if !errors.As(err, &e) {
		return ""
	}
	switch {
	case strings.HasSuffix(e.Reason, "TooSkewed") || e.Reason == "RequestExpired":
		return "set the clock right, and let the system keep it so"
	case e.Reason == "NoSuchBucket":
		return "see that bucket and endpoint in the configuration are right"
	case e.Reason == "AuthorizationHeaderMalformed" || e.Reason == "InvalidRegion" || e.Class == cloud.Refused:
		return "see that endpoint and region in the configuration are those of the bucket: the service's console shows them"
	case e.Class == cloud.Blind && e.Status == http.StatusForbidden && e.Reason == "AccessDenied" || e.Class == cloud.Blind && e.Reason == "":
		return "let this key list the bucket and read what is in it (s3:ListBucket, s3:GetObject), and nothing else"
	case e.Class == cloud.Blind:
		return "see that the credentials file holds the newest access key and its secret key; else make new ones in the service's console"
	case e.Class == cloud.NotVisible:
		return "see that bucket and folder in the configuration are right, and that something lies in the folder"
	case e.Class == cloud.Later:
		return "look whether this computer reaches the net, and try again"
	}
	return ""
}
