package drive

import (
	"context"
	"errors"
	"fmt"
	"log/slog"
	"net/http"
	"net/url"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud/wire"
	"firmus/replicas/loopback"

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
		if u != "" && !loopback.Plain(u) {
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
		o.Transport = wire.Transport()
	}
	endpoint := serviceURL
	if o.Endpoint != "" {
		endpoint = strings.TrimSuffix(o.Endpoint, "/") + "/"
	}
	u, err := url.Parse(endpoint)
	if err != nil {
		return nil, fmt.Errorf("drive: endpoint: %w", err)
	}
	clock := &wire.Dated{Base: o.Transport, Now: o.Now}
	s := &Service{trip: &roundTripper{Dated: clock, host: u.Host}, class: &classifier{now: o.Now}}
	if o.Credential != "" {
		if s.cred, err = loadCredential(o.Credential, o.TokenURL); err != nil {
			return nil, err
		}
		client := &http.Client{Transport: clock, CheckRedirect: wire.Stay, Timeout: time.Minute}
		s.trip.tokens = &tokens{make: func() (auth.TokenProvider, error) { return s.cred.tokens(client) }}
		if _, err = s.trip.tokens.provider(nil); err != nil {
			return nil, err
		}
		s.class.who, s.class.key = s.cred.Who(), s.cred.IsKey()
	}
	// With a client of our own the library adds no credential, scope or retry.
	s.api, err = api.NewService(ctx, option.WithHTTPClient(&http.Client{Transport: s.trip, CheckRedirect: wire.Stay}),
		option.WithEndpoint(endpoint), option.WithLogger(slog.New(slog.DiscardHandler)))
	if err != nil {
		return nil, fmt.Errorf("drive: %w", err)
	}
	s.api.UserAgent = "firmus"
	return s, nil
}

// Account is the account of the credential in words, "" at a test server.
func (s *Service) Account() string { return s.class.who }
