package ledgertest

import (
	"errors"
	"io"
	"net"
	"net/url"
	"os"
	"sync"
	"testing"
	"time"
)

// Way is what lies between a ledger and its server: it hands on what either says, until it is
// stopped. Then it takes connections all the same, and says nothing.
type Way struct {
	network, server string
	l               net.Listener
	wg              sync.WaitGroup

	mu    sync.Mutex
	conns map[net.Conn]bool
	stop  chan struct{} // is closed while it hands on
	off   bool
	end   bool
	lost  int           // how often connections were lost
	ended chan struct{} // is closed at the end
}

// Through is the same place by a way of the test's own.
func (p Place) Through(t testing.TB) (Place, *Way) {
	t.Helper()
	u, err := url.Parse(p.URL)
	if err != nil {
		t.Fatal(err)
	}
	q := u.Query()
	w := &Way{network: "tcp", server: u.Host, conns: map[net.Conn]bool{}, ended: make(chan struct{})}
	if dir := q.Get("host"); dir != "" {
		port := q.Get("port")
		if port == "" {
			port = "5432"
		}
		if w.network, w.server = "unix", dir+"/.s.PGSQL."+port; dir[0] != '/' {
			w.network, w.server = "tcp", net.JoinHostPort(dir, port)
		}
	}
	if w.l, err = net.Listen("tcp", "127.0.0.1:0"); err != nil {
		t.Fatal(err)
	}
	w.stop = make(chan struct{})
	close(w.stop)
	w.wg.Go(w.serve)
	t.Cleanup(w.close)
	u.Host = w.l.Addr().String()
	q.Del("host")
	q.Del("port")
	u.RawQuery = q.Encode()
	return Place{URL: u.String(), State: p.State}, w
}

// Stop has it hand on nothing more, in neither direction.
func (w *Way) Stop() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if !w.off {
		w.off, w.stop = true, make(chan struct{})
		for c := range w.conns {
			_ = c.SetReadDeadline(time.Now()) // who reads looks whether it may
		}
	}
}

// Go has it hand on again what lies there, and what comes.
func (w *Way) Go() {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.off {
		w.off = false
		for c := range w.conns {
			_ = c.SetReadDeadline(time.Time{})
		}
		close(w.stop)
	}
}

// Lose has it forget the connections that there are: nothing comes by them any more, nor does
// their end. New ones are as before.
func (w *Way) Lose() {
	w.mu.Lock()
	defer w.mu.Unlock()
	w.lost++
}

func (w *Way) losses() int {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.lost
}

func (w *Way) close() {
	w.mu.Lock()
	w.end = true
	close(w.ended)
	if w.off {
		w.off = false
		close(w.stop)
	}
	w.l.Close()
	for c := range w.conns {
		c.Close()
	}
	w.mu.Unlock()
	w.wg.Wait()
}

// keep notes a connection; false: it is too late.
func (w *Way) keep(c net.Conn) bool {
	w.mu.Lock()
	defer w.mu.Unlock()
	if w.end {
		c.Close()
		return false
	}
	w.conns[c] = true
	return true
}

func (w *Way) serve() {
	for {
		c, err := w.l.Accept()
		if err != nil {
			return
		}
		if w.keep(c) {
			w.wg.Go(func() { w.hand(c) })
		}
	}
}

func (w *Way) open() chan struct{} {
	w.mu.Lock()
	defer w.mu.Unlock()
	return w.stop
}

func (w *Way) hand(c net.Conn) {
	defer c.Close()
	<-w.open()
	s, err := net.Dial(w.network, w.server)
	if err != nil || !w.keep(s) {
		return
	}
	defer s.Close()
	done, losses := make(chan struct{}, 2), w.losses()
	one := func(to, from net.Conn) {
		defer func() { done <- struct{}{} }()
		b := make([]byte, 32<<10)
		for {
			n, err := from.Read(b)
			<-w.open()
			if w.losses() > losses {
				<-w.ended
				return
			}
			if n > 0 {
				if _, err := to.Write(b[:n]); err != nil {
					return
				}
			}
			if err != nil && !errors.Is(err, os.ErrDeadlineExceeded) || errors.Is(err, io.EOF) {
				return
			}
		}
	}
	w.wg.Go(func() { one(s, c) })
	w.wg.Go(func() { one(c, s) })
	<-done
	w.mu.Lock()
	delete(w.conns, c)
	delete(w.conns, s)
	w.mu.Unlock()
}
