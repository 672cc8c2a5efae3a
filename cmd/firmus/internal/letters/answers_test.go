package letters_test

import (
	"bytes"
	"crypto/tls"
	"io"
	"net"
	"sync/atomic"
	"testing"

	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/testing/mailtest"
)

// TestAServerWithoutLineEndsNeverFillsTheMemory: what is read of its answers is bounded.
func TestAServerWithoutLineEndsNeverFillsTheMemory(t *testing.T) {
	server, client := net.Pipe()
	defer server.Close()
	go func() {
		for b := make([]byte, 1000); ; {
			if _, err := server.Write(b); err != nil {
				return
			}
		}
	}()
	n, err := io.Copy(io.Discard, letters.Bounded(client, 5500))
	client.Close()
	if n != 5500 || err == nil {
		t.Errorf("%d bytes were read, %v", n, err)
	}
}

// Where TLS comes first, too: the server gets rid of no more than fits into the bound and
// into the buffers on the way.
func TestAServerWithoutLineEndsBehindTLSNeverFillsTheMemory(t *testing.T) {
	w := waiting(t)
	config, pool := mailtest.Certificate(t, "127.0.0.1")
	ln, err := tls.Listen("tcp", "127.0.0.1:0", config)
	if err != nil {
		t.Fatal(err)
	}
	defer ln.Close()
	const most = 64 << 20
	var written atomic.Int64
	go func() {
		for {
			c, err := ln.Accept()
			if err != nil {
				return
			}
			for b := bytes.Repeat([]byte("2"), 64<<10); err == nil && written.Load() < most; {
				var n int
				n, err = c.Write(b)
				written.Add(int64(n))
			}
			c.Close()
		}
	}()
	w.options = func(o *letters.Options) {
		o.Mail.Server, o.Mail.TLS, o.Mail.Roots, o.Mail.User = ln.Addr().String(), "tls", pool, ""
	}
	if sent := w.send(); sent.Delivered != 0 {
		t.Errorf("%+v", sent)
	}
	if n := written.Load(); n > 24<<20 { // each address is tried by itself
		t.Errorf("%d bytes were taken of a line that doesn't end", n)
	}
}
