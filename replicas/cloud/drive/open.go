package drive

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"firmus/fixity"

	"cloud.google.com/go/auth"
	api "google.golang.org/api/drive/v3"
	"google.golang.org/api/option"
)

// serviceURL is the API's base path; the slash at its end matters to the client
// library.
const serviceURL = "https://www.googleapis.com/drive/v3/"

// Options of a Service.
type Options struct {
	// Credential is the file of a service account's key or of a sign-in.
	Credential string
	// Endpoint is a test server on this computer instead of the service; nothing is
	// sent there but, in tests of credentials, a token from TokenURL.
	Endpoint string
	// TokenURL is a test server's on this computer.
	TokenURL string
	// Transport carries the calls; nil is one of its own that uses no proxy.
	Transport http.RoundTripper
	// Now is the clock, to compare with the service's; needed.
	Now func() time.Time
}

// Open reads the credential and makes a Service. Nothing is asked of the net. It
// fails with fixity.ErrRefused for a credential that is not to be used (see
// LoadCredential), an Endpoint or TokenURL that isn't on this computer, and a
// credential that would go from the service to a test server or the other way.
func Open(ctx context.Context, o Options) (*Service, error) {
	if o.Now == nil {
		return nil, errors.New("drive: no clock")
	}
	for _, u := range []string{o.Endpoint, o.TokenURL} {
		if u != "" && !loopback(u) {
			return nil, fmt.Errorf("drive: %w: %q is no test server on this computer", fixity.ErrRefused, u)
		}
	}
	if o.Credential != "" && (o.Endpoint == "") != (o.TokenURL == "") {
		return nil, fmt.Errorf("drive: %w: credentials are not given to an endpoint, which is for test servers", fixity.ErrRefused)
	}
	if o.Credential == "" && o.Endpoint == "" {
		return nil, fmt.Errorf("drive: %w: no credential", fixity.ErrRefused)
	}
	if o.Transport == nil {
		o.Transport = transport()
	}
	endpoint := serviceURL
	if o.Endpoint != "" {
		endpoint = strings.TrimSuffix(o.Endpoint, "/") + "/"
	}
	u, err := url.Parse(endpoint)
	if err != nil {
		return nil, fmt.Errorf("drive: endpoint: %w", err)
	}
	clock := &dated{base: o.Transport, now: o.Now}
	s := &Service{trip: &roundTripper{dated: clock, host: u.Host}, class: &classifier{now: o.Now}}
	if o.Credential != "" {
		if s.cred, err = loadCredential(o.Credential, o.TokenURL); err != nil {
			return nil, err
		}
		client := &http.Client{Transport: clock, CheckRedirect: stay, Timeout: time.Minute}
		s.trip.tokens = &tokens{make: func() (auth.TokenProvider, error) { return s.cred.tokens(client) }}
		if _, err = s.trip.tokens.provider(nil); err != nil {
			return nil, err
		}
		s.class.who, s.class.key = s.cred.Who(), s.cred.IsKey()
	}
	// With a client of our own the library adds no credential, scope or retry.
	s.api, err = api.NewService(ctx, option.WithHTTPClient(&http.Client{Transport: s.trip, CheckRedirect: stay}),
		option.WithEndpoint(endpoint), option.WithLogger(slog.New(slog.DiscardHandler)))
	if err != nil {
		return nil, fmt.Errorf("drive: %w", err)
	}
	s.api.UserAgent = "firmus"
	return s, nil
}

// Account is the account of the credential in words, "" at a test server.
func (s *Service) Account() string { return s.class.who }

// transport bounds what has no bound of its own; package cloud bounds the rest.
func transport() *http.Transport {
	t := http.DefaultTransport.(*http.Transport).Clone()
	t.Proxy = nil
	t.ResponseHeaderTimeout = time.Minute
	t.MaxIdleConnsPerHost = 4
	return t
}

// errRedirect: an answer sends the call to another place.
var errRedirect = errors.New("sent to another address")

// stay follows no redirect: a token would be sent along.
func stay(*http.Request, []*http.Request) error { return errRedirect }

// dated carries calls and notes how far this computer's clock is from the server's.
type dated struct {
	base http.RoundTripper
	now  func() time.Time
	mu   sync.Mutex
	off  time.Duration // this computer's clock is so far ahead
	seen bool
}

func (d *dated) RoundTrip(r *http.Request) (*http.Response, error) {
	res, err := d.base.RoundTrip(r)
	if err == nil {
		if t, err := http.ParseTime(res.Header.Get("Date")); err == nil {
			d.mu.Lock()
			d.off, d.seen = d.now().Sub(t), true
			d.mu.Unlock()
		}
	}
	return res, err
}

// clock is how far this computer's clock is ahead, false if no server said.
func (d *dated) clock() (time.Duration, bool) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.off, d.seen
}
