package drive_test

import (
	"net"
	"net/http"
	"testing"
)

// listen is a server that notes who calls.
func listen(t *testing.T, note func(*http.Request)) (url string, stop func()) {
	t.Helper()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	s := &http.Server{Handler: http.HandlerFunc(func(_ http.ResponseWriter, r *http.Request) { note(r) })}
	go s.Serve(l)
	return "http://" + l.Addr().String() + "/", func() { s.Close() }
}
