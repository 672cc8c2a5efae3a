// Package loopback tells which addresses are of this computer: what is sent there, no network
// carries.
package loopback

import (
	"net/netip"
	"net/url"
)

// Host says that a host's name or address is of this computer. No name but "localhost" is
// known to be.
func Host(host string) bool {
	if host == "localhost" {
		return true
	}
	ip, err := netip.ParseAddr(host)
	return err == nil && ip.Unmap().IsLoopback()
}

// Plain says that address is of a server on this computer, over plain HTTP and without a user.
func Plain(address string) bool {
	u, err := url.Parse(address)
	return err == nil && u.Scheme == "http" && u.User == nil && Host(u.Hostname())
}
