// Package web serves one address at a time, with TLS where there is a certificate. What it shows
// may change under it: requests wait for what comes after.
package web

import (
	"context"
	"crypto/tls"
	"fmt"
	"log/slog"
	"net"
	"net/http"
	"os"
	"sync"
	"sync/atomic"
	"time"

	"firmus/cmd/firmus/internal/pages/site"
)

// Server serves one address at a time; what it shows may change under it.
type Server struct {
	Log   *slog.Logger
	Down  http.Handler  // while there is nothing else
	Again time.Duration // how often an address is tried that is taken
	now   atomic.Pointer[shown]

	Cert certificate

	mu     sync.Mutex
	server *http.Server
	addr   string
	at     string // as the system has it: the port is never 0
	cancel context.CancelFunc
}

// certificate is a pair of files of TLS, read anew when they change.
type certificate struct {
	mu        sync.Mutex
	cert, key string
	stamp     string
	have      *tls.Certificate
}

// Name says which files it is; it is told whether there are any.
func (c *certificate) Name(cert, key string) {
	c.mu.Lock()
	defer c.mu.Unlock()
	if cert != c.cert || key != c.key {
		c.cert, c.key, c.have = cert, key, nil
	}
}

func (c *certificate) any() bool {
	c.mu.Lock()
	defer c.mu.Unlock()
	return c.cert != ""
}

// get is the certificate as the files have it now. If they can't be read, the one that was
// read before goes on.
func (c *certificate) get(*tls.ClientHelloInfo) (*tls.Certificate, error) {
	c.mu.Lock()
	defer c.mu.Unlock()
	stamp := ""
	for _, f := range []string{c.cert, c.key} {
		if st, err := os.Stat(f); err == nil {
			stamp += fmt.Sprintln(st.Size(), st.ModTime().UnixNano())
		}
	}
	if c.have != nil && stamp == c.stamp {
		return c.have, nil
	}
	x, err := tls.LoadX509KeyPair(c.cert, c.key)
	if err != nil {
		if c.have != nil {
			return c.have, nil
		}
		return nil, err
	}
	c.have, c.stamp = &x, stamp
	return c.have, nil
}

// shown answers requests until it is to end.
type shown struct {
	http.Handler
	next chan struct{} // closed once it isn't shown any more

	mu      sync.Mutex // of over, and of answers beginning
	over    bool
	answers sync.WaitGroup
}

// begin says that an answer is being given, unless the handler is to end.
func (s *shown) begin() bool {
	s.mu.Lock()
	defer s.mu.Unlock()
	if !s.over {
		s.answers.Add(1)
	}
	return !s.over
}

// ServeHTTP answers by what is shown. While that ends, a request waits for what comes after.
func (w *Server) ServeHTTP(rw http.ResponseWriter, r *http.Request) {
	for {
		s := w.now.Load()
		if s == nil {
			w.Down.ServeHTTP(rw, r)
			return
		}
		if s.begin() {
			defer s.answers.Done()
			s.ServeHTTP(rw, r)
			return
		}
		select {
		case <-s.next:
		case <-r.Context().Done():
			return
		}
	}
}

// Show shows something else from now on.
func (w *Server) Show(h http.Handler) { w.replace(&shown{Handler: h, next: make(chan struct{})}) }

// Hide shows what is shown while there is nothing else.
func (w *Server) Hide() { w.replace(nil) }

func (w *Server) replace(s *shown) {
	if old := w.now.Swap(s); old != nil {
		close(old.next)
	}
}

// Hold lets what is shown begin no more answers: new requests wait until something else is
// shown, or nothing. What it returns waits for the answers that are being given.
func (w *Server) Hold() (answered func()) {
	s := w.now.Load()
	if s == nil {
		return func() {}
	}
	s.mu.Lock()
	defer s.mu.Unlock()
	s.over = true
	return s.answers.Wait
}

// Listen serves an address. One that is taken is said and tried again: the rest of
// the daemon goes on. It does nothing if the address is served already.
func (w *Server) Listen(ctx context.Context, addr string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	if addr == "" || addr == w.addr {
		return
	}
	ctx, w.cancel = context.WithCancel(ctx)
	w.addr = addr
	l, err := net.Listen("tcp", addr)
	if err == nil {
		w.serve(l)
		return
	}
	w.Log.Error("pages and metrics can't be served; tried again", "listen", addr, "error", err, "every", w.Again)
	go func() {
		for {
			select {
			case <-ctx.Done():
				return
			case <-time.After(w.Again):
			}
			l, err := net.Listen("tcp", addr)
			if err != nil {
				continue
			}
			w.mu.Lock()
			if ctx.Err() != nil {
				l.Close()
			} else {
				w.serve(l)
			}
			w.mu.Unlock()
			return
		}
	}()
}

// serve is called with the lock held.
func (w *Server) serve(l net.Listener) {
	w.server = &http.Server{Handler: w, ReadHeaderTimeout: 10 * time.Second, ReadTimeout: time.Minute, WriteTimeout: 5 * time.Minute,
		IdleTimeout: 2 * time.Minute, MaxHeaderBytes: 64 << 10, ErrorLog: slog.NewLogLogger(w.Log.Handler(), slog.LevelDebug)}
	s := w.server
	w.at = l.Addr().String()
	if w.Cert.any() {
		s.TLSConfig = &tls.Config{GetCertificate: w.Cert.get, MinVersion: tls.VersionTLS12}
		go func() { _ = s.ServeTLS(l, "", "") }()
	} else {
		go func() { _ = s.Serve(l) }() // always ends with an error; close says when
	}
	w.Log.Info("listening", "address", l.Addr().String())
}

// Move serves another address from now on.
func (w *Server) Move(ctx context.Context, l net.Listener, addr string) {
	w.Close()
	w.mu.Lock()
	defer w.mu.Unlock()
	_, w.cancel = context.WithCancel(ctx)
	w.addr = addr
	w.serve(l)
}

// Close ends serving; answers that are being given have a second.
func (w *Server) Close() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.cancel != nil {
		w.cancel()
	}
	if w.server != nil {
		ctx, cancel := context.WithTimeout(context.Background(), time.Second)
		defer cancel()
		if w.server.Shutdown(ctx) != nil {
			w.server.Close()
		}
	}
	w.server, w.addr, w.at = nil, "", ""
}

// Here lets only this computer ask: what it says is for whoever runs the machine.
func Here(h http.Handler) http.Handler {
	return http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		if !site.FromHere(r) {
			http.Error(rw, "This is answered on the computer itself only.", http.StatusForbidden)
			return
		}
		h.ServeHTTP(rw, r)
	})
}

// Health adds /healthz, which fails when the program hangs, and /readyz, which fails
// when it can't do its work.
func Health(mux *http.ServeMux, alive func() error, ready func(context.Context) error) {
	say := func(rw http.ResponseWriter, err error) {
		rw.Header().Set("Content-Type", "text/plain; charset=utf-8")
		rw.Header().Set("Cache-Control", "no-store")
		if err != nil {
			rw.WriteHeader(http.StatusServiceUnavailable)
			fmt.Fprintln(rw, err)
			return
		}
		fmt.Fprintln(rw, "ok")
	}
	mux.Handle("GET /healthz", Here(http.HandlerFunc(func(rw http.ResponseWriter, _ *http.Request) { say(rw, alive()) })))
	mux.Handle("GET /readyz", Here(http.HandlerFunc(func(rw http.ResponseWriter, r *http.Request) {
		ctx, cancel := context.WithTimeout(r.Context(), 3*time.Second)
		defer cancel()
		say(rw, ready(ctx))
	})))
}

// Listening is the address that is served, for links on this computer.
func (w *Server) Listening() string {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.at != "" {
		return w.at
	}
	return w.addr
}

// Take serves a listener that is there.
func (w *Server) Take(l net.Listener, addr string) {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.addr = addr
	w.serve(l)
}
