package letters

import (
	"context"
	"crypto/tls"
	"errors"
	"net"
	"time"
)

// mostAnswered is how many bytes a mail server may answer in one session. An answer is a
// line or a few (RFC 5321, section 4.5.3.1.5: at most 512 octets each).
const mostAnswered = 1 << 20

var errEndless = errors.New("the mail server answers more than any mail server does: is it one?")

// bounded is a connection of which no more than so many bytes are read: who waits for the
// end of a line keeps all that came before it.
type bounded struct {
	net.Conn
	left int
}

func (b *bounded) Read(p []byte) (int, error) {
	if b.left == 0 {
		return 0, errEndless
	}
	n, err := b.Conn.Read(p[:min(len(p), b.left)])
	b.left -= n
	return n, err
}

// dial connects to a mail server; secure is the configuration where TLS comes first, nil
// where it doesn't. What is bounded lies below TLS.
func dial(timeout time.Duration, secure *tls.Config) func(ctx context.Context, network, address string) (net.Conn, error) {
	return func(ctx context.Context, network, address string) (net.Conn, error) {
		c, err := (&net.Dialer{Timeout: timeout}).DialContext(ctx, network, address)
		if err != nil {
			return nil, err
		}
		in := &bounded{c, mostAnswered}
		if secure == nil {
			return in, nil
		}
		t := tls.Client(in, secure)
		if err := t.HandshakeContext(ctx); err != nil {
			c.Close()
			return nil, err
		}
		return t, nil
	}
}
