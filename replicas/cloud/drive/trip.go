package drive

import (
	"fmt"
	"net/http"
	"sync"

	"firmus/replicas/cloud/wire"

	"cloud.google.com/go/auth"
)

// maxAnswer bounds an answer that is no file's bytes. A page of 1,000 files is a
// megabyte, or a few where names are long. What it is taken apart into is several times as
// much.
const maxAnswer = 16 << 20

// roundTripper puts a token into each call to one host, and makes no other calls. An
// answer that a token isn't good any more (401) has the call made once more with a fresh
// one: a token may be withdrawn before its time.
type roundTripper struct {
	*wire.Dated
	host   string
	tokens *tokens // nil: none is needed
}

func (t *roundTripper) RoundTrip(r *http.Request) (*http.Response, error) {
	if r.URL.Host != t.host {
		return nil, closing(r, fmt.Errorf("%w: %q", wire.ErrRedirect, r.URL.Host))
	}
	if t.tokens == nil {
		return bounded(t.Dated.RoundTrip(r))
	}
	p, err := t.tokens.provider(nil)
	for fresh := false; ; fresh = true {
		var tok *auth.Token
		if err == nil {
			tok, err = p.Token(r.Context())
		}
		if err != nil {
			return nil, closing(r, &tokenError{err})
		}
		one := r.Clone(r.Context())
		one.Header.Set("Authorization", "Bearer "+tok.Value)
		res, failed := bounded(t.Dated.RoundTrip(one))
		if failed != nil || res.StatusCode != http.StatusUnauthorized || fresh || r.Body != nil {
			return res, failed
		}
		res.Body.Close()
		p, err = t.tokens.provider(p)
	}
}

// closing ends a request that isn't made, as a RoundTripper must.
func closing(r *http.Request, err error) error {
	if r.Body != nil {
		r.Body.Close()
	}
	return err
}

// tokens is where tokens come from. A provider keeps its token until that ends.
type tokens struct {
	make func() (auth.TokenProvider, error)
	mu   sync.Mutex
	now  auth.TokenProvider
}

// provider is the one in use, or another if that is bad: several calls may find so at
// once, and get the same new one.
func (t *tokens) provider(bad auth.TokenProvider) (auth.TokenProvider, error) {
	t.mu.Lock()
	defer t.mu.Unlock()
	if t.now == nil || t.now == bad {
		p, err := t.make()
		if err != nil {
			return nil, err
		}
		t.now = p
	}
	return t.now, nil
}

// bounded bounds an answer's size, but for the bytes of a file.
func bounded(res *http.Response, err error) (*http.Response, error) {
	if err != nil || res.Request != nil && res.Request.URL.Query().Get("alt") == "media" && res.StatusCode < 300 {
		return res, err
	}
	res.Body = &wire.Body{ReadCloser: res.Body, Left: maxAnswer}
	return res, nil
}
