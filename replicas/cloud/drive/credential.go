package drive

import (
	"crypto/x509"
	"encoding/json"
	"encoding/pem"
	"fmt"
	"log/slog"
	"net/http"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud/wire"

	"cloud.google.com/go/auth"
	"cloud.google.com/go/auth/credentials"
	api "google.golang.org/api/drive/v3"
)

// Scope is the one scope that is ever asked for.
const Scope = api.DriveReadonlyScope

// The addresses that a credential may be sent to. A key file names its own; one
// that names another would have what it signs sent there.
const (
	tokenURL = "https://oauth2.googleapis.com/token"
	authURL  = "https://accounts.google.com/o/oauth2/auth"
)

// The types of credential files that are read. Others (external accounts, other
// people's impersonation) can make the client library read files and call
// addresses that they name.
const (
	typeKey    = string(credentials.ServiceAccount)
	typeSignIn = string(credentials.AuthorizedUser)
)

// credentialFile is what is read of a credential's file: a service account's key as
// the service gives it out, or a sign-in as SignIn makes it.
type credentialFile struct {
	Type         string    `json:"type"`
	ProjectID    string    `json:"project_id,omitempty"`
	ClientEmail  string    `json:"client_email,omitempty"`
	PrivateKey   string    `json:"private_key,omitempty"`
	TokenURI     string    `json:"token_uri,omitempty"`
	Universe     string    `json:"universe_domain,omitempty"`
	ClientID     string    `json:"client_id,omitempty"`
	ClientSecret string    `json:"client_secret,omitempty"`
	RefreshToken string    `json:"refresh_token,omitempty"`
	SignedIn     time.Time `json:"signed_in,omitzero"`
	RunsOut      time.Time `json:"runs_out,omitzero"` // of a sign-in, if the service said so

	Installed *json.RawMessage `json:"installed,omitempty"`
	Web       *json.RawMessage `json:"web,omitempty"`
}

// Credential is a key or a sign-in, read and found to be of the right sort.
type Credential struct {
	file credentialFile
	text []byte
	url  string // where tokens come from
}

// LoadCredential reads the file of a service account's key or of a sign-in. It
// refuses (fixity.ErrRefused) a file that other accounts of this computer can read,
// one of another type, and a key that is to be sent anywhere but to the service;
// the text says what to do. Nothing is asked of the net.
func LoadCredential(path string) (*Credential, error) { return loadCredential(path, "") }

// loadCredential also takes a key whose tokens come from testURL, if that is on
// this computer.
func loadCredential(path, testURL string) (*Credential, error) {
	text, err := wire.Secret(path)
	if err != nil {
		return nil, err
	}
	c, err := parseCredential(text, testURL)
	if err != nil {
		return nil, fmt.Errorf("credential %s: %w", path, err)
	}
	return c, nil
}

func parseCredential(text []byte, testURL string) (*Credential, error) {
	c := &Credential{text: text, url: tokenURL}
	if testURL != "" {
		c.url = testURL
	}
	if err := json.Unmarshal(text, &c.file); err != nil {
		return nil, fmt.Errorf("%w: it is no key file (not JSON)", fixity.ErrRefused)
	}
	f := &c.file
	switch {
	case f.Installed != nil || f.Web != nil:
		return nil, fmt.Errorf("%w: this is the file of a program that people can sign in with, not a sign-in: sign in with it first, or use the key of a service account", fixity.ErrRefused)
	case f.Type == typeKey && (f.ClientEmail == "" || f.PrivateKey == ""):
		return nil, fmt.Errorf("%w: the key lacks its account or its private part", fixity.ErrRefused)
	case f.Type == typeKey && !isPrivateKey(f.PrivateKey):
		return nil, fmt.Errorf("%w: the key's private part can't be read: the file was cut off, or changed", fixity.ErrRefused)
	case f.Type == typeKey && f.TokenURI != c.url:
		return nil, fmt.Errorf("%w: its tokens are to come from %q, not from %q: it was not given out by the service, or was changed", fixity.ErrRefused, f.TokenURI, c.url)
	case f.Type == typeSignIn && (f.ClientID == "" || f.RefreshToken == ""):
		return nil, fmt.Errorf("%w: the sign-in lacks a part: sign in again", fixity.ErrRefused)
	case f.Type != typeKey && f.Type != typeSignIn:
		return nil, fmt.Errorf("%w: it is of type %q, where a service account's key (%q) is needed, or a sign-in (%q)", fixity.ErrRefused, f.Type, typeKey, typeSignIn)
	case f.Universe != "" && f.Universe != "googleapis.com":
		return nil, fmt.Errorf("%w: it is for %q, another service", fixity.ErrRefused, f.Universe)
	}
	return c, nil
}

// isPrivateKey says that a text is a private key in one of the forms in which the
// client library takes one. It takes one that isn't for a network that doesn't answer,
// and tries again.
func isPrivateKey(text string) bool {
	b := []byte(text)
	if block, _ := pem.Decode(b); block != nil {
		b = block.Bytes
	}
	_, pkcs8 := x509.ParsePKCS8PrivateKey(b)
	_, pkcs1 := x509.ParsePKCS1PrivateKey(b)
	return pkcs8 == nil || pkcs1 == nil
}

// Who is the account that the folder must be shared with, in words.
func (c *Credential) Who() string {
	if c.file.Type == typeKey {
		return "the account " + c.file.ClientEmail + " of the project " + c.file.ProjectID
	}
	if c.file.SignedIn.IsZero() {
		return "the account that signed in"
	}
	return "the account that signed in on " + c.file.SignedIn.UTC().Format("2 Jan 2006")
}

// IsKey says that the credential is a service account's key, not a sign-in.
func (c *Credential) IsKey() bool { return c.file.Type == typeKey }

// RunsOut is when a sign-in ends, zero if the service didn't say.
func (c *Credential) RunsOut() time.Time { return c.file.RunsOut }

// tokens gives access tokens, which are asked for through client.
func (c *Credential) tokens(client *http.Client) (auth.TokenProvider, error) {
	// The constructor checks the type again: of another it makes nothing.
	got, err := credentials.NewCredentialsFromJSON(credentials.CredType(c.file.Type), c.text, &credentials.DetectOptions{
		Scopes: []string{Scope}, TokenURL: c.url, Client: client,
		DisableAsyncRefresh: true, Logger: slog.New(slog.DiscardHandler),
	})
	if err != nil {
		return nil, fmt.Errorf("credential: %w: %w", fixity.ErrRefused, err)
	}
	return got, nil
}
