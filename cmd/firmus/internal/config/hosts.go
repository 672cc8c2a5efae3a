package config

import (
	"cmp"
	"fmt"
	"hash/fnv"
	"slices"
	"strings"

	"firmus/fixity/expr"
)

var hostName = expr.Once(`^[a-z0-9]([a-z0-9._-]{0,61}[a-z0-9])?$`)

// HostNameRule says what a host's name can be.
const HostNameRule = `up to 63 of a-z, 0-9, ".", - and _, beginning and ending with a letter or digit`

// HostName is the name of a computer as Firmus has it: in small letters, and one that can be
// part of a lock's. The bool is false if it can't be.
func HostName(name string) (string, bool) {
	name = strings.ToLower(name)
	return name, hostName().MatchString(name)
}

// HostNameOf is the name of a computer whose system gives it one that can't be a host's: what
// can stand of it, and behind that a mark of all of it, since other names may leave the same. The
// bool is false if the system gives none.
func HostNameOf(system string) (string, bool) {
	if name, ok := HostName(system); ok || name == "" {
		return name, ok
	}
	name := strings.Trim(strings.Map(func(r rune) rune {
		if r >= 'a' && r <= 'z' || r >= '0' && r <= '9' || strings.ContainsRune("._-", r) {
			return r
		}
		return '-'
	}, strings.ToLower(system)), "._-")
	f := fnv.New32a()
	_, _ = f.Write([]byte(system)) // never fails
	name = strings.TrimRight(name[:min(len(name), 48)], "._-")
	return fmt.Sprintf("%s-%08x", cmp.Or(name, "host"), f.Sum32()), true
}

// checkHosts holds the names of hosts against what they can be.
func (r *reader) checkHosts(c *Config) {
	if n, ok := HostName(c.Host.Name); c.Host.Name != "" && (!ok || n != c.Host.Name) {
		r.fail(r.at("host", "name"), "%q can't be the name of a host: %s", c.Host.Name, HostNameRule)
	}
	for _, s := range c.Stores {
		at := r.at("store", s.Name, "hosts")
		if (len(s.Hosts) > 0 || s.AtOnce > 0) && c.Ledger.URL == "" {
			r.fail(at, "hosts and at_once are for computers that share a ledger: [ledger] url")
		}
		for i, h := range s.Hosts {
			if n, ok := HostName(h); !ok || n != h {
				r.fail(at, "%q can't be the name of a host: %s", h, HostNameRule)
			}
			if slices.Contains(s.Hosts[:i], h) {
				r.fail(at, "host %q is named twice", h)
			}
		}
	}
}
