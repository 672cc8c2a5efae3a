package drivetest

import (
	"bytes"
	"crypto/rsa"
	"encoding/json"
	"errors"
	"net"
	"net/http"
	"net/url"
	"strings"
	"sync"
	"time"

	"firmus/replicas/testing/drivetest/disco"
)

// Options of a Server; zero will do.
type Options struct {
	Address  string           // to listen on; "" is a free port of 127.0.0.1
	Document *disco.Document  // nil: nothing is held against it
	Now      func() time.Time // the service's clock; nil is one that begins on 2026-03-02 and goes on a second with each change
	Account  string           // who calls; "" is "auditor@quillmere.example"
	HangUp   bool             // each connection is ended after one answer
	Tokens   string           // the address by which keys name the place of tokens; "" is that of this server
	Owner    string           // to whom what isn't in a shared drive belongs; "" is "archivist@quillmere.example"
}

// Call is one request that was made.
type Call struct {
	Method string // id in the discovery document; with "#media" for bytes
	Path   string // escaped
	Query  url.Values
	Range  string
	Status int   // 0 if the connection was cut before an answer
	Sent   int64 // bytes of a file
}

// Server is a service. It may be used by several goroutines at once.
type Server struct {
	o      Options
	http   *http.Server
	base   string
	closed chan struct{}
	once   sync.Once
	busy   sync.WaitGroup // calls that are being answered

	mu         sync.Mutex
	done       bool
	tree       tree
	now        time.Time // without Options.Now
	ahead      time.Duration
	changes    []change
	faults     []*Fault
	calls      []Call
	violations []string
	omit       map[string]bool
	strange    map[string]bool // shared drives that the caller is no member of
	frozen     *tree
	locked     bool // a token is needed
	tokens     tokens
}

// Start begins to serve.
func Start(o Options) (*Server, error) {
	if o.Address == "" {
		o.Address = "127.0.0.1:0"
	}
	if o.Account == "" {
		o.Account = "auditor@quillmere.example"
	}
	if o.Owner == "" {
		o.Owner = "archivist@quillmere.example"
	}
	l, err := net.Listen("tcp", o.Address)
	if err != nil {
		return nil, err
	}
	if ip := l.Addr().(*net.TCPAddr).IP; !ip.IsLoopback() {
		l.Close()
		return nil, errors.New("drivetest: only on this computer")
	}
	s := &Server{o: o, base: "http://" + l.Addr().String(), closed: make(chan struct{}), now: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC), omit: map[string]bool{}, strange: map[string]bool{}}
	s.tree = newTree()
	s.tokens.keys = map[string]*rsa.PublicKey{}
	s.http = &http.Server{Handler: s, ReadHeaderTimeout: 10 * time.Second}
	s.http.SetKeepAlivesEnabled(!o.HangUp)
	go s.http.Serve(l)
	return s, nil
}

// Close ends the server and every call to it, and waits for their ends.
func (s *Server) Close() {
	s.once.Do(func() {
		s.mu.Lock()
		s.done = true
		s.mu.Unlock()
		close(s.closed)
		s.http.Close()
		s.busy.Wait()
	})
}

// Endpoint is the base path of the API, for the configuration and the client.
func (s *Server) Endpoint() string { return s.base + "/drive/v3/" }

// TokenURL and AuthURL are where tokens are given out and people say yes.
func (s *Server) TokenURL() string {
	if s.o.Tokens != "" {
		return s.o.Tokens
	}
	return s.base + "/token"
}

// AuthURL is the page where people say yes.
func (s *Server) AuthURL() string { return s.base + "/auth" }

// Calls are the requests since the last Reset.
func (s *Server) Calls() []Call {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]Call(nil), s.calls...)
}

// Count is how many requests there were of a method, "" of all.
func (s *Server) Count(method string) int {
	n := 0
	for _, c := range s.Calls() {
		if method == "" || c.Method == method {
			n++
		}
	}
	return n
}

// Reset forgets the requests that were made, and the faults that didn't befall one.
func (s *Server) Reset() {
	s.mu.Lock()
	defer s.mu.Unlock()
	s.calls, s.faults = nil, nil
}

// Violations are the departures from the discovery document, by clients and by the
// server itself.
func (s *Server) Violations() []string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return append([]string(nil), s.violations...)
}

// clock is the time that changes carry; the lock is held.
func (s *Server) clock() time.Time {
	t := s.now
	if s.o.Now != nil {
		t = s.o.Now()
	}
	return t
}

// ServeHTTP answers a request.
func (s *Server) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	s.mu.Lock()
	if s.done {
		s.mu.Unlock()
		panic(http.ErrAbortHandler)
	}
	s.busy.Add(1)
	defer s.busy.Done()
	if s.o.Now != nil || s.ahead != 0 {
		now := time.Now
		if s.o.Now != nil {
			now = s.o.Now
		}
		w.Header().Set("Date", now().Add(s.ahead).UTC().Format(http.TimeFormat))
	}
	s.mu.Unlock()
	switch r.URL.Path {
	case "/token":
		s.giveToken(w, r)
		return
	case "/auth":
		s.consent(w, r)
		return
	}
	method, file := route(r)
	rec := &recorder{ResponseWriter: w, media: strings.HasSuffix(method, "#media")}
	var m *disco.Method
	var bad []string
	if s.o.Document != nil {
		m, bad = s.o.Document.Request(r)
	}
	defer func() { // also when a fault cuts the connection
		s.mu.Lock()
		defer s.mu.Unlock()
		s.calls = append(s.calls, Call{method, r.URL.EscapedPath(), r.URL.Query(), r.Header.Get("Range"), rec.status, rec.sent})
		s.violations = append(s.violations, bad...)
	}()
	s.answer(rec, r, method, file)
	if m != nil && rec.status/100 == 2 && !rec.media {
		bad = append(bad, s.o.Document.Response(m, rec.buf.Bytes())...)
	}
}

// route is the method that a request addresses, and the id of the file in its path.
func route(r *http.Request) (method, file string) {
	rest, ok := strings.CutPrefix(r.URL.EscapedPath(), "/drive/v3/")
	if !ok || r.Method != http.MethodGet {
		return "", ""
	}
	switch rest {
	case "about":
		return "drive.about.get", ""
	case "files":
		return "drive.files.list", ""
	case "changes":
		return "drive.changes.list", ""
	case "changes/startPageToken":
		return "drive.changes.getStartPageToken", ""
	}
	if id, ok := strings.CutSuffix(rest, "/export"); ok {
		if file, err := url.PathUnescape(strings.TrimPrefix(id, "files/")); err == nil {
			return "drive.files.export#media", file
		}
	}
	if id, ok := strings.CutPrefix(rest, "files/"); ok && !strings.Contains(id, "/") {
		if file, err := url.PathUnescape(id); err == nil {
			if r.URL.Query().Get("alt") == "media" {
				return "drive.files.get#media", file
			}
			return "drive.files.get", file
		}
	}
	return "", ""
}

// recorder keeps what was answered.
type recorder struct {
	http.ResponseWriter
	status int
	media  bool
	sent   int64
	buf    bytes.Buffer
}

func (r *recorder) WriteHeader(code int) {
	r.status = code
	r.ResponseWriter.WriteHeader(code)
}

func (r *recorder) Write(b []byte) (int, error) {
	if r.status == 0 {
		r.status = http.StatusOK
	}
	if r.media {
		r.sent += int64(len(b))
	} else {
		r.buf.Write(b)
	}
	return r.ResponseWriter.Write(b)
}

func (r *recorder) Unwrap() http.ResponseWriter { return r.ResponseWriter }

// answer does what a request asks, or what a fault says.
func (s *Server) answer(w http.ResponseWriter, r *http.Request, method, file string) {
	s.mu.Lock()
	f := s.takeFault(method, file)
	s.mu.Unlock()
	if f.Wait > 0 {
		select {
		case <-time.After(f.Wait):
		case <-r.Context().Done():
		case <-s.closed:
		}
	}
	if f.Hook != nil {
		f.Hook()
	}
	switch {
	case f.Drop:
		panic(http.ErrAbortHandler)
	case f.Redirect != "":
		http.Redirect(w, r, f.Redirect, http.StatusFound)
		return
	case f.Status != 0:
		f.failure().write(w)
		return
	}
	s.mu.Lock()
	out, data, e := s.find(r, method, file, f)
	s.mu.Unlock()
	switch {
	case e != nil:
		e.write(w)
	case out != nil:
		for n := f.Blanks; n > 0; n -= 1 << 16 {
			if _, err := w.Write(bytes.Repeat([]byte(" "), int(min(n, 1<<16)))); err != nil {
				return
			}
		}
		s.sendJSON(w, r, method, out)
	default:
		s.sendMedia(w, r, data, f)
	}
}

// find is the answer as a JSON object, as bytes, or as a failure; the lock is held.
func (s *Server) find(r *http.Request, method, file string, f Fault) (map[string]any, *node, *failure) {
	q := r.URL.Query()
	if s.locked && !s.tokens.good(strings.TrimPrefix(r.Header.Get("Authorization"), "Bearer ")) {
		return nil, nil, &failure{status: 401, reason: "authError", message: "Invalid Credentials", location: "Authorization"}
	}
	switch method {
	case "drive.about.get":
		if q.Get("fields") == "" {
			return nil, nil, &failure{status: 400, reason: "required", message: "The 'fields' parameter is required for this method.", location: "fields"}
		}
		return map[string]any{"kind": "drive#about", "user": map[string]any{
			"kind": "drive#user", "displayName": "Auditor", "emailAddress": s.o.Account, "me": true, "permissionId": "42"}}, nil, nil
	case "drive.files.list":
		out, e := s.list(q, f)
		return out, nil, e
	case "drive.files.get", "drive.files.get#media":
		n, e := s.byID(file, q)
		if e != nil {
			return nil, nil, e
		}
		if method == "drive.files.get" {
			return s.meta(&s.tree, n), nil, nil
		}
		return nil, n, n.downloadable()
	case "drive.files.export#media":
		n, e := s.byID(file, q)
		if e == nil {
			e = n.exportable(q.Get("mimeType"))
		}
		return nil, n, e
	case "drive.changes.getStartPageToken":
		return s.startToken(q)
	case "drive.changes.list":
		out, e := s.changeList(q, f)
		return out, nil, e
	}
	return nil, nil, &failure{status: 404, reason: "notFound", message: "Not Found"}
}

// Without "fields" an answer has these (guide "Return specific fields").
var defaultFields = map[string]string{
	"drive.files.list":   "kind,incompleteSearch,nextPageToken,files(kind,id,name,mimeType,resourceKey)",
	"drive.files.get":    "kind,id,name,mimeType,resourceKey",
	"drive.changes.list": "kind,nextPageToken,newStartPageToken,changes(kind,changeType,time,removed,fileId,file(kind,id,name,mimeType),driveId)",
}

func (s *Server) sendJSON(w http.ResponseWriter, r *http.Request, method string, out map[string]any) {
	fields := r.URL.Query().Get("fields")
	if fields == "" {
		fields = defaultFields[method]
	}
	if fields != "" {
		mask, err := disco.ParseMask(fields)
		if err != nil {
			(&failure{status: 400, reason: "invalidParameter", message: "Invalid field selection " + fields, location: "fields"}).write(w)
			return
		}
		out = mask.Apply(out).(map[string]any)
	}
	b, err := json.Marshal(out)
	if err != nil {
		panic(err)
	}
	w.Header().Set("Content-Type", "application/json; charset=UTF-8")
	w.Write(b)
}
