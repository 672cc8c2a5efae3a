//go:build unix

package systemservice_test

import (
	"net"
	"path/filepath"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/systemservice"
)

// The service manager listens on a datagram socket (sd_notify(3)).
func TestNotify(t *testing.T) {
	name := filepath.Join(t.TempDir(), "notify")
	l, err := net.ListenUnixgram("unixgram", &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		t.Fatal(err)
	}
	defer l.Close()
	t.Setenv("NOTIFY_SOCKET", name)
	systemservice.Notify("READY=1")
	if err := l.SetReadDeadline(time.Now().Add(time.Minute)); err != nil {
		t.Fatal(err)
	}
	b := make([]byte, 100)
	n, err := l.Read(b)
	if err != nil || string(b[:n]) != "READY=1" {
		t.Errorf("told %q, %v", b[:n], err)
	}
	t.Setenv("NOTIFY_SOCKET", filepath.Join(t.TempDir(), "nobody"))
	systemservice.Notify("READY=1") // nobody listens: nothing happens
}
