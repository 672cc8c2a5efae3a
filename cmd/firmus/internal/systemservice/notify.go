// Package systemservice makes the daemon a service of the system: a systemd unit written
// by hand on Linux, launchd on macOS, the service manager on Windows.
package systemservice

import (
	"net"
	"os"
	"strings"
)

// Notify tells the service manager how the daemon is, as sd_notify(3) does: READY=1,
// RELOADING=1, STOPPING=1, WATCHDOG=1. It does nothing where nobody listens.
func Notify(state string) {
	name := os.Getenv("NOTIFY_SOCKET")
	if name == "" {
		return
	}
	if after, ok := strings.CutPrefix(name, "@"); ok {
		name = "\x00" + after // an abstract name, unix(7)
	}
	c, err := net.DialUnix("unixgram", nil, &net.UnixAddr{Name: name, Net: "unixgram"})
	if err != nil {
		return
	}
	defer c.Close()
	_, _ = c.Write([]byte(state))
}

// MailPassword is the name of the mail server's password among a service's credentials.
const MailPassword = "mail-password"

// StoreCredential is the name of a store's key file among a service's credentials.
func StoreCredential(store string) string { return "store-" + store }
