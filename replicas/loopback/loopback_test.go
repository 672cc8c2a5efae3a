package loopback_test

import (
	"testing"

	"firmus/replicas/loopback"
)

func TestHost(t *testing.T) {
	for host, want := range map[string]bool{
		"localhost": true, "127.0.0.1": true, "127.9.9.9": true, "::1": true, "::ffff:127.0.0.1": true,
		"": false, "0.0.0.0": false, "::": false, "127.example.org": false, "localhost.example.org": false, "192.0.2.1": false, "127.1": false,
	} {
		if loopback.Host(host) != want {
			t.Errorf("%q: %v", host, !want)
		}
	}
	for address, want := range map[string]bool{
		"http://127.0.0.1:9000": true, "http://[::1]/dav/": true,
		"https://127.0.0.1": false, "http://a:b@127.0.0.1": false, "http://dav.example.org/": false, "127.0.0.1": false, "": false,
	} {
		if loopback.Plain(address) != want {
			t.Errorf("%q: %v", address, !want)
		}
	}
}
