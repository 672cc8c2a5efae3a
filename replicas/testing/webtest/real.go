package webtest

import (
	"bytes"
	"io"
	"log"
	"net"
	"net/http"
	"net/http/httputil"
	"net/url"
	"os"
	"os/exec"
	"syscall"
	"testing"
	"time"
)

// Program is where a server by others lies. Without it the test is skipped, and fails if
// FIRMUS_ALL_PARTS is 1.
func Program(t testing.TB, name, from string) string {
	t.Helper()
	path, err := exec.LookPath(name)
	if err != nil {
		for _, dir := range []string{"/usr/sbin/", "/usr/local/sbin/"} {
			if _, no := os.Stat(dir + name); no == nil {
				return dir + name
			}
		}
		if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
			t.Fatalf("%s isn't here: %s", name, from)
		}
		t.Skipf("%s isn't here: %s", name, from)
	}
	return path
}

// Port is an address on this computer at which nothing listens.
func Port(t testing.TB) string {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	return l.Addr().String()
}

// Run starts a server by others that listens at addr, and ends it with the test.
func Run(t testing.TB, addr, program string, args ...string) {
	t.Helper()
	var said bytes.Buffer
	cmd := exec.Command(program, args...)
	cmd.Stdout, cmd.Stderr = &said, &said
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	ended := make(chan struct{})
	go func() { cmd.Wait(); close(ended) }()
	t.Cleanup(func() {
		cmd.Process.Signal(syscall.SIGTERM)
		select {
		case <-ended:
		case <-time.After(10 * time.Second):
			cmd.Process.Kill()
			<-ended
		}
	})
	for range 300 {
		c, err := net.Dial("tcp", addr)
		if err == nil {
			c.Close()
			return
		}
		select {
		case <-ended:
			t.Fatalf("%s ended: %s", program, said.String())
		case <-time.After(50 * time.Millisecond):
		}
	}
	t.Fatalf("%s doesn't listen", program)
}

// Before is a gate before a server by others.
func Before(t testing.TB, addr string) *Gate {
	t.Helper()
	to := &url.URL{Scheme: "http", Host: addr}
	transport := &http.Transport{DisableCompression: true, MaxIdleConnsPerHost: 16}
	t.Cleanup(transport.CloseIdleConnections)
	return Start(t, &httputil.ReverseProxy{
		Transport: transport,
		ErrorLog:  log.New(io.Discard, "", 0),
		Rewrite: func(r *httputil.ProxyRequest) {
			r.SetURL(to)
			r.Out.Host = r.In.Host // requests are signed with it
			r.Out.URL.RawQuery = r.In.URL.RawQuery
		},
	})
}
