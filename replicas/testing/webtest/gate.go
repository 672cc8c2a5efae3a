// Package webtest stands before a test server and makes it fail: it answers in its place,
// cuts its answers off, keeps them back, changes them, and counts the calls.
package webtest

import (
	"bytes"
	"io"
	"net"
	"net/http"
	"net/http/httptest"
	"strconv"
	"sync"
	"testing"
	"time"
)

// Fault is what happens to some calls.
type Fault struct {
	Match  func(*http.Request) bool // nil: each call
	Skip   int                      // calls that it lets pass first
	Count  int                      // of calls; -1 is all from then on, 0 is 1
	Status int                      // answers with it, and with Header and Body, in place of the server
	Header http.Header
	Body   string
	Drop   bool                                // breaks the connection off
	Cut    int                                 // the answer breaks off after so many bytes, as if it ended there: 0 is whole
	Short  bool                                // with Cut: the connection breaks, too
	Change func(*http.Response, []byte) []byte // makes another body of the server's
	Hook   func()                              // is called before the server
	met    int
}

// Gate is a server on this computer, with faults.
type Gate struct {
	URL string // without a slash at its end

	mu     sync.Mutex
	inner  http.Handler
	faults []*Fault
	calls  []string // "METHOD path?query"
	seen   []http.Header
}

// Start serves inner until the test ends.
func Start(t testing.TB, inner http.Handler) *Gate {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	g := &Gate{URL: "http://" + l.Addr().String(), inner: inner}
	s := &http.Server{Handler: g}
	done := make(chan struct{})
	go func() { s.Serve(l); close(done) }()
	t.Cleanup(func() { s.Close(); <-done })
	return g
}

// Inject adds a fault. Of several that fit, the first is met.
func (g *Gate) Inject(f Fault) {
	g.mu.Lock()
	defer g.mu.Unlock()
	if f.Count == 0 {
		f.Count = 1
	}
	g.faults = append(g.faults, &f)
}

// Heal takes all faults away.
func (g *Gate) Heal() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.faults = nil
}

// Calls are those since the last Reset.
func (g *Gate) Calls() []string {
	g.mu.Lock()
	defer g.mu.Unlock()
	return append([]string(nil), g.calls...)
}

// Headers are those of the calls since the last Reset.
func (g *Gate) Headers() []http.Header {
	g.mu.Lock()
	defer g.mu.Unlock()
	return append([]http.Header(nil), g.seen...)
}

// Reset forgets the calls.
func (g *Gate) Reset() {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.calls, g.seen = nil, nil
}

func (g *Gate) fault(r *http.Request) *Fault {
	g.mu.Lock()
	defer g.mu.Unlock()
	g.calls = append(g.calls, r.Method+" "+r.URL.RequestURI())
	g.seen = append(g.seen, r.Header.Clone())
	for _, f := range g.faults {
		if f.Count == 0 || f.Match != nil && !f.Match(r) {
			continue
		}
		if f.met++; f.met <= f.Skip {
			continue
		}
		if f.Count > 0 {
			f.Count--
		}
		return f
	}
	return nil
}

// ServeHTTP is the server's, unless a fault is met.
func (g *Gate) ServeHTTP(w http.ResponseWriter, r *http.Request) {
	f := g.fault(r)
	if f == nil {
		g.inner.ServeHTTP(w, r)
		return
	}
	if f.Hook != nil {
		f.Hook()
	}
	if f.Drop {
		panic(http.ErrAbortHandler)
	}
	if f.Status != 0 {
		for k, v := range f.Header {
			w.Header()[k] = v
		}
		w.WriteHeader(f.Status)
		io.WriteString(w, f.Body)
		return
	}
	rec := httptest.NewRecorder()
	g.inner.ServeHTTP(rec, r)
	res := rec.Result()
	body := rec.Body.Bytes()
	if f.Change != nil {
		body = f.Change(res, bytes.Clone(body))
		res.Header.Del("Content-Length")
	}
	for k, v := range res.Header {
		w.Header()[k] = v
	}
	if f.Cut > 0 && f.Cut < len(body) {
		w.Header().Set("Content-Length", strconv.Itoa(f.Cut))
		if f.Short {
			w.Header().Set("Content-Length", strconv.Itoa(len(body)))
		}
		body = body[:f.Cut]
	}
	w.WriteHeader(res.StatusCode)
	w.Write(body)
	if f.Short {
		w.(http.Flusher).Flush()
		time.Sleep(time.Millisecond) // so that what was written leaves before the connection is cut
		panic(http.ErrAbortHandler)
	}
}
