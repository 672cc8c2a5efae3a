package database

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"strconv"
	"strings"
	"sync"
	"time"

	"github.com/jackc/pgx/v5/pgconn"

	"firmus/fixity"
)

// A server may take a connection and say nothing, or fall silent in the middle: its computer
// hangs, or something between drops what it should hand on. Nobody tells the client of that. But
// a statement may rightly take minutes. So who has waited for patience asks at another connection
// whether the server still works for this one, and gives it up if it doesn't.
const (
	patience       = 10 * time.Second // of a connection that says nothing, until it is asked
	probeWithin    = 5 * time.Second  // for the answer
	connectsWithin = 8 * time.Second  // for a new connection, unless the URL says another time
)

// lines are the connections to a server.
type lines struct {
	config *pgconn.Config // of the connections that ask; nil: not known yet
	dialer net.Dialer

	mu   sync.Mutex
	open map[*line]bool
	lost time.Time // when the server was found silent
}

func newLines() *lines {
	return &lines{open: map[*line]bool{}, dialer: net.Dialer{Timeout: connectsWithin,
		KeepAliveConfig: net.KeepAliveConfig{Enable: true, Idle: 20 * time.Second, Interval: 5 * time.Second, Count: 4}}}
}

// watch has the connections of a configuration watched.
func (g *lines) watch(c *pgconn.Config) {
	if c.ConnectTimeout == 0 {
		c.ConnectTimeout = connectsWithin
	}
	if g.config == nil {
		g.config = c.Copy()
		g.config.DialFunc = g.dialer.DialContext
		delete(g.config.RuntimeParams, "application_name")
	}
	c.DialFunc = g.dial
	c.AfterConnect = func(_ context.Context, p *pgconn.PgConn) error {
		at := p.Conn()
		if t, ok := at.(interface{ NetConn() net.Conn }); ok { // TLS
			at = t.NetConn()
		}
		if x, ok := at.(*line); ok {
			x.mu.Lock()
			x.pid = p.PID()
			x.mu.Unlock()
		}
		return nil
	}
}

// dial makes a connection that is watched.
func (g *lines) dial(ctx context.Context, network, addr string) (net.Conn, error) {
	c, err := g.dialer.DialContext(ctx, network, addr)
	if err != nil {
		return nil, err
	}
	x := &line{Conn: c, g: g}
	g.mu.Lock()
	g.open[x] = true
	g.mu.Unlock()
	return x, nil
}

// hangUp ends all connections to a server that was just found silent: each would wait for its
// farewell.
func (g *lines) hangUp() {
	g.mu.Lock()
	defer g.mu.Unlock()
	if time.Since(g.lost) > time.Minute {
		return
	}
	for x := range g.open {
		x.Conn.Close()
	}
}

// works says whether the server works for a connection; an error says that it doesn't, or
// doesn't answer.
func (g *lines) works(ctx context.Context, pid uint32) error {
	ctx, cancel := context.WithTimeout(ctx, probeWithin)
	defer cancel()
	c := g.config.Copy()
	c.ConnectTimeout = 0 // ctx has it
	p, err := pgconn.ConnectConfig(ctx, c)
	var told *pgconn.PgError
	if errors.As(err, &told) {
		return nil // it has no room for another connection, say; but it answers
	}
	if err != nil {
		return err
	}
	defer func() { go closeSoon(p) }()
	if pid == 0 {
		return nil
	}
	r := p.ExecParams(ctx, `SELECT state FROM pg_stat_activity WHERE pid = $1`, [][]byte{[]byte(strconv.FormatUint(uint64(pid), 10))}, nil, nil, nil).Read()
	switch {
	case errors.As(r.Err, &told):
		return nil
	case r.Err != nil:
		return r.Err
	case len(r.Rows) == 0:
		return errors.New("the server has ended the connection")
	case strings.HasPrefix(string(r.Rows[0][0]), "idle"): // also in a transaction
		return errIdle
	}
	return nil
}

// errIdle says that the server waits for what this end says next: its answer is on the way, or
// lost.
var errIdle = errors.New("the server has answered, and the answer didn't come")

func closeSoon(p *pgconn.PgConn) {
	ctx, cancel := context.WithTimeout(context.Background(), time.Second)
	defer cancel()
	_ = p.Close(ctx)
}

// line is a connection that is given up once its server says nothing any more.
type line struct {
	net.Conn
	g *lines

	mu     sync.Mutex
	pid    uint32    // of the server's process
	until  time.Time // the driver's deadline; zero: none
	asking func()    // ends a question
	idle   bool      // the server was found waiting for this end
}

// Close implements net.Conn.
func (x *line) Close() error {
	x.g.mu.Lock()
	delete(x.g.open, x)
	x.g.mu.Unlock()
	return x.Conn.Close()
}

// SetDeadline implements net.Conn. The driver knows no other one.
func (x *line) SetDeadline(t time.Time) error {
	x.mu.Lock()
	defer x.mu.Unlock()
	x.until = t
	if x.asking != nil {
		x.asking()
	}
	if t.IsZero() {
		t = time.Now().Add(patience)
	}
	return x.Conn.SetDeadline(t)
}

// Read implements net.Conn.
func (x *line) Read(b []byte) (int, error) {
	n, err := x.patient(b, x.Conn.Read, x.Conn.SetReadDeadline)
	if n > 0 {
		x.mu.Lock()
		x.idle = false
		x.mu.Unlock()
	}
	return n, err
}

// Write implements net.Conn.
func (x *line) Write(b []byte) (int, error) {
	all := 0
	for {
		n, err := x.patient(b[all:], x.Conn.Write, x.Conn.SetWriteDeadline)
		if all += n; err != nil || all == len(b) {
			return all, err
		}
	}
}

// patient does it until something came of it, the driver's deadline is over, or the server was
// asked and doesn't work for this connection. What was written in part is no error.
func (x *line) patient(b []byte, do func([]byte) (int, error), within func(time.Time) error) (int, error) {
	for {
		x.mu.Lock()
		until := time.Now().Add(patience)
		if x.idle {
			until = time.Now().Add(time.Second)
		}
		if !x.until.IsZero() && x.until.Before(until) {
			until = x.until
		}
		err := within(until)
		x.mu.Unlock()
		if err != nil {
			return 0, err
		}
		n, err := do(b)
		if !errors.Is(err, os.ErrDeadlineExceeded) {
			return n, err
		}
		if n > 0 {
			return n, nil
		}
		x.mu.Lock()
		if !x.until.IsZero() && !time.Now().Before(x.until) {
			x.mu.Unlock()
			return 0, err
		}
		ctx, cancel := context.WithCancel(context.Background())
		x.asking = cancel
		pid, idle := x.pid, x.idle
		x.mu.Unlock()
		err = x.g.works(ctx, pid)
		ended := ctx.Err() != nil // the driver has changed its mind
		cancel()
		x.mu.Lock()
		x.asking, x.idle = nil, errors.Is(err, errIdle)
		x.mu.Unlock()
		if err == nil || ended || x.idle && !idle {
			continue
		}
		x.g.mu.Lock()
		x.g.lost = time.Now()
		x.g.mu.Unlock()
		x.Conn.Close()
		return 0, fmt.Errorf("the database doesn't answer: nothing came from it for %s: %w: %w", patience, fixity.ErrAway, err)
	}
}
