package drivetest

import (
	"crypto"
	"crypto/rand"
	"crypto/rsa"
	"crypto/sha256"
	"crypto/x509"
	"encoding/base64"
	"encoding/json"
	"encoding/pem"
	"net/http"
	"net/url"
	"strings"
	"time"
)

// tokens is the part of the server that gives out tokens.
type tokens struct {
	keys      map[string]*rsa.PublicKey // by the key's id
	given     map[string]bool           // access tokens that are good
	refresh   string                    // the sign-in's lasting token
	code      string
	challenge string
	dead      string // an error of RFC 6749, section 5.2, that is answered from now on
	why       string
	html      int // status of an HTML page that is answered instead
	scopes    []string
	deny      bool
	endsIn    time.Duration
}

func (t *tokens) good(token string) bool { return t.given[token] }

// Lock makes the API ask for a token.
func (s *Server) Lock() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.locked = true
}

// Key makes a service account and gives the text of a key for it, which names this
// server as the place where tokens come from.
func (s *Server) Key(account, project string) ([]byte, error) {
	k, err := rsa.GenerateKey(rand.Reader, 2048)
	if err != nil {
		return nil, err
	}
	der, err := x509.MarshalPKCS8PrivateKey(k)
	if err != nil {
		return nil, err
	}
	id := rand.Text()
	s.mu.Lock()
	s.tokens.keys[id] = &k.PublicKey
	s.mu.Unlock()
	return json.MarshalIndent(map[string]string{
		"type": "service_account", "project_id": project, "private_key_id": id,
		"private_key":  string(pem.EncodeToMemory(&pem.Block{Type: "PRIVATE KEY", Bytes: der})),
		"client_email": account, "client_id": "100", "token_uri": s.TokenURL(),
	}, "", "  ")
}

// Client is the text of a file of a program that people sign in with here.
func (s *Server) Client() []byte {
	b, _ := json.Marshal(map[string]any{"installed": map[string]any{
		"client_id": "firmus-test", "client_secret": "not-a-secret", "auth_uri": s.AuthURL(), "token_uri": s.TokenURL(), "redirect_uris": []string{"http://localhost"},
	}})
	return b
}

// KillTokens makes every token that was given out useless, and gives out no more:
// code and why are answered (RFC 6749, section 5.2). "" gives tokens out again.
func (s *Server) KillTokens(code, why string) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tokens.dead, s.tokens.why, s.tokens.given = code, why, nil
}

// BreakTokens answers requests for tokens with an HTML page; 0 ends that.
func (s *Server) BreakTokens(status int) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tokens.html, s.tokens.given = status, nil
}

// SayNo makes the person who is asked on the page say no.
func (s *Server) SayNo() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tokens.deny = true
}

// EndSignIns makes sign-ins from now on end after d, and say so.
func (s *Server) EndSignIns(d time.Duration) {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.tokens.endsIn = d
}

// Scopes are all scopes that were asked for.
func (s *Server) Scopes() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.tokens.scopes...)
}

// consent is the page where a person says yes at once.
func (s *Server) consent(w http.ResponseWriter, r *http.Request) {
	q := r.URL.Query()
	back, err := url.Parse(q.Get("redirect_uri"))
	if err != nil || q.Get("code_challenge_method") != "S256" || q.Get("response_type") != "code" || q.Get("access_type") != "offline" {
		http.Error(w, "bad request", http.StatusBadRequest)
		return
	}
	s.mu.Lock()
	t := &s.tokens
	t.scopes = append(t.scopes, strings.Fields(q.Get("scope"))...)
	v := url.Values{"state": {q.Get("state")}}
	if t.deny {
		v.Set("error", "access_denied")
	} else {
		t.code, t.challenge = rand.Text(), q.Get("code_challenge")
		v.Set("code", t.code)
	}
	s.mu.Unlock()
	back.RawQuery = v.Encode()
	http.Redirect(w, r, back.String(), http.StatusFound)
}

// giveToken answers a request for a token.
func (s *Server) giveToken(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	defer s.mu.Unlock()
	t := &s.tokens
	if t.html != 0 {
		(&failure{status: t.html, html: "<html><body>Sorry.</body></html>"}).write(w)
		return
	}
	w.Header().Set("Content-Type", "application/json")
	refuse := func(code, why string) {
		w.WriteHeader(http.StatusBadRequest)
		json.NewEncoder(w).Encode(map[string]string{"error": code, "error_description": why})
	}
	if t.dead != "" {
		refuse(t.dead, t.why)
		return
	}
	out := map[string]any{"access_token": rand.Text(), "token_type": "Bearer", "expires_in": 3599}
	switch grant := r.PostFormValue("grant_type"); grant {
	case "urn:ietf:params:oauth:grant-type:jwt-bearer": // RFC 7523
		if wrong := s.checkJWT(r.PostFormValue("assertion")); wrong != "" {
			refuse("invalid_grant", wrong)
			return
		}
	case "authorization_code": // RFC 7636, section 4.6
		sum := sha256.Sum256([]byte(r.PostFormValue("code_verifier")))
		if t.code == "" || r.PostFormValue("code") != t.code || base64.RawURLEncoding.EncodeToString(sum[:]) != t.challenge {
			refuse("invalid_grant", "Bad Request")
			return
		}
		t.code, t.refresh = "", "1//"+rand.Text()
		out["refresh_token"], out["scope"] = t.refresh, strings.Join(t.scopes, " ")
		if t.endsIn > 0 {
			out["refresh_token_expires_in"] = int(t.endsIn.Seconds())
		}
	case "refresh_token":
		if t.refresh == "" || r.PostFormValue("refresh_token") != t.refresh {
			refuse("invalid_grant", "Token has been expired or revoked.")
			return
		}
		t.scopes = append(t.scopes, strings.Fields(r.PostFormValue("scope"))...)
	default:
		refuse("unsupported_grant_type", "Invalid grant_type: "+grant)
		return
	}
	if t.given == nil {
		t.given = map[string]bool{}
	}
	t.given[out["access_token"].(string)] = true
	json.NewEncoder(w).Encode(out)
}

// checkJWT says, in the service's words, what is wrong with a service account's
// request, "" if nothing is (guide "Using OAuth
// 2.0 for Server to Server Applications"; RFC 7515, RFC 7519).
func (s *Server) checkJWT(text string) (wrong string) {
	parts := strings.Split(text, ".")
	if len(parts) != 3 {
		return "Invalid JWT"
	}
	var raw [3][]byte
	for i, p := range parts {
		b, err := base64.RawURLEncoding.DecodeString(p)
		if err != nil {
			return "Invalid JWT"
		}
		raw[i] = b
	}
	var head struct{ Alg, Kid string }
	var claim struct {
		Iss, Scope, Aud string
		Iat, Exp        int64
	}
	if json.Unmarshal(raw[0], &head) != nil || json.Unmarshal(raw[1], &claim) != nil {
		return "Invalid JWT"
	}
	key := s.tokens.keys[head.Kid]
	sum := sha256.Sum256([]byte(parts[0] + "." + parts[1]))
	if key == nil || head.Alg != "RS256" || rsa.VerifyPKCS1v15(key, crypto.SHA256, sum[:], raw[2]) != nil {
		return "Invalid JWT Signature."
	}
	if claim.Aud != s.TokenURL() {
		return "Invalid JWT: audience " + claim.Aud
	}
	if now := time.Now().Add(s.ahead); time.Unix(claim.Iat, 0).Sub(now).Abs() > 10*time.Minute || claim.Exp-claim.Iat > 3600 {
		return "Invalid JWT: Token must be a short-lived token (60 minutes) and in a reasonable timeframe. Check your iat and exp values in the JWT claim."
	}
	s.tokens.scopes = append(s.tokens.scopes, strings.Fields(claim.Scope)...)
	return ""
}
