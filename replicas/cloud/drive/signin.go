package drive

import (
	"context"
	"crypto/rand"
	"crypto/subtle"
	"encoding/json"
	"errors"
	"fmt"
	"net"
	"net/http"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud/wire"
	"firmus/replicas/loopback"

	"golang.org/x/oauth2"
)

// SignIn is a person's sign-in for a program that runs on their own computer (RFC
// 8252), for an archive whose folder can't be shared with a service account. What
// it gives lets this program read all of that person's drive: a service account's
// key is better wherever it can be had.
type SignIn struct {
	// Client is the text of the program's own file, as the service gives it out for
	// a program of type "desktop app".
	Client []byte
	// Show is given the address of the page where the person says yes: to open it in
	// a browser on this computer, or to print it.
	Show func(url string) error
	// Transport carries the calls; nil is one of its own that uses no proxy.
	Transport http.RoundTripper
	// Now is the clock, for the day on which the sign-in was made; needed.
	Now func() time.Time
	// AuthURL and TokenURL are a test server's on this computer; "" is the service.
	AuthURL, TokenURL string
}

// clientFile is the file of a program that people can sign in with.
type clientFile struct {
	Installed *struct {
		ID       string `json:"client_id"`
		Secret   string `json:"client_secret"`
		AuthURI  string `json:"auth_uri"`
		TokenURI string `json:"token_uri"`
	} `json:"installed"`
}

// Run waits until the person has said yes or no, or ctx ends, and gives the text of
// a credential file, which only its owner may read. The answer comes back to a port of this
// computer that only this computer reaches, bound to this one sign-in by a secret
// of its own (RFC 7636). It fails with fixity.ErrRefused for a client file of
// another sort, a person who says no, and an answer that allows more than reading.
func (s SignIn) Run(ctx context.Context) ([]byte, error) {
	b, err := s.run(ctx)
	if err != nil {
		if ctx.Err() != nil {
			err = context.Cause(ctx)
		}
		return nil, fmt.Errorf("sign in: %w", err)
	}
	return b, nil
}

// lastPage is how long a browser has to fetch the last page.
const lastPage = time.Second

func (s SignIn) run(ctx context.Context) ([]byte, error) {
	if s.Show == nil || s.Now == nil {
		return nil, errors.New("no way to show a page, or no clock")
	}
	conf, err := s.config()
	if err != nil {
		return nil, err
	}
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		return nil, err
	}
	conf.RedirectURL = "http://" + l.Addr().String() + "/"
	state, verifier := rand.Text(), oauth2.GenerateVerifier()
	answers := make(chan answer, 1)
	server := &http.Server{Handler: waitFor(state, answers), ReadHeaderTimeout: 10 * time.Second}
	go server.Serve(l)
	defer func() {
		// The browser gets its page to the end. One that opened a connection to spare and asks
		// nothing on it isn't waited for.
		end, stop := context.WithTimeout(context.WithoutCancel(ctx), lastPage)
		defer stop()
		if server.Shutdown(end) != nil {
			server.Close()
		}
	}()
	if err := s.Show(conf.AuthCodeURL(state, oauth2.AccessTypeOffline, oauth2.ApprovalForce, oauth2.S256ChallengeOption(verifier))); err != nil {
		return nil, err
	}
	var got answer
	select {
	case got = <-answers:
	case <-ctx.Done():
		return nil, context.Cause(ctx)
	}
	if got.refusal != "" {
		return nil, fmt.Errorf("%w: the answer was %q", fixity.ErrRefused, got.refusal)
	}
	base := s.Transport
	if base == nil {
		base = wire.Transport()
	}
	client := &http.Client{Transport: base, CheckRedirect: wire.Stay, Timeout: time.Minute}
	tok, err := conf.Exchange(context.WithValue(ctx, oauth2.HTTPClient, client), got.code, oauth2.VerifierOption(verifier))
	if err != nil {
		return nil, err
	}
	return s.credential(conf, tok)
}

// config is what is asked for, and from whom.
func (s SignIn) config() (*oauth2.Config, error) {
	var f clientFile
	if err := json.Unmarshal(s.Client, &f); err != nil || f.Installed == nil || f.Installed.ID == "" {
		return nil, fmt.Errorf("%w: this is no file of a program of type \"desktop app\"", fixity.ErrRefused)
	}
	auth, token := authURL, tokenURL
	if s.AuthURL != "" || s.TokenURL != "" {
		if !loopback.Plain(s.AuthURL) || !loopback.Plain(s.TokenURL) {
			return nil, fmt.Errorf("%w: a test server is on this computer", fixity.ErrRefused)
		}
		auth, token = s.AuthURL, s.TokenURL
	}
	if f.Installed.TokenURI != token || f.Installed.AuthURI != auth {
		return nil, fmt.Errorf("%w: the file names %q and %q, which are not the service's", fixity.ErrRefused, f.Installed.AuthURI, f.Installed.TokenURI)
	}
	return &oauth2.Config{
		ClientID: f.Installed.ID, ClientSecret: f.Installed.Secret, Scopes: []string{Scope},
		Endpoint: oauth2.Endpoint{AuthURL: auth, TokenURL: token, AuthStyle: oauth2.AuthStyleInParams},
	}, nil
}

type answer struct{ code, refusal string }

// waitFor takes the one answer that carries state. Whatever else calls the port
// learns nothing and changes nothing.
func waitFor(state string, answers chan<- answer) http.Handler {
	return http.HandlerFunc(func(w http.ResponseWriter, r *http.Request) {
		q := r.URL.Query()
		if r.Method != http.MethodGet || r.URL.Path != "/" || subtle.ConstantTimeCompare([]byte(q.Get("state")), []byte(state)) != 1 {
			http.NotFound(w, r)
			return
		}
		a := answer{code: q.Get("code"), refusal: q.Get("error")}
		if a.code == "" && a.refusal == "" {
			a.refusal = "nothing"
		}
		select {
		case answers <- a:
		default:
		}
		w.Header().Set("Content-Type", "text/plain; charset=utf-8")
		w.Header().Set("Referrer-Policy", "no-referrer")
		fmt.Fprintln(w, "Thank you. This page can be closed; what happened is said where the sign-in was begun.")
	})
}

// credential is the text of a credential file for tok.
func (s SignIn) credential(conf *oauth2.Config, tok *oauth2.Token) ([]byte, error) {
	if granted, ok := tok.Extra("scope").(string); ok {
		for scope := range strings.FieldsSeq(granted) {
			if scope != Scope {
				return nil, fmt.Errorf("%w: more was allowed than reading (%q): withdraw it on the account's page, and sign in again", fixity.ErrRefused, scope)
			}
		}
	}
	if tok.RefreshToken == "" {
		return nil, errors.New("the service gave no lasting token")
	}
	c := credentialFile{Type: typeSignIn, ClientID: conf.ClientID, ClientSecret: conf.ClientSecret, RefreshToken: tok.RefreshToken, SignedIn: s.Now().UTC().Truncate(time.Second)}
	if sec, ok := tok.Extra("refresh_token_expires_in").(float64); ok && sec > 0 {
		c.RunsOut = c.SignedIn.Add(time.Duration(sec) * time.Second)
	}
	return json.MarshalIndent(c, "", "  ")
}
