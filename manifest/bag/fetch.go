package bag

import (
	"fmt"
	"net/url"
	"strconv"
	"strings"

	"firmus/manifest"
)

// Fetched is one line of fetch.txt (RFC 8493, section 2.2.3).
type Fetched struct {
	URL    string
	Length int64 // bytes; -1 if it isn't said
	Path   string
}

// ParseFetch reads one line of fetch.txt, without its end. coded says that the
// path is percent-coded, as from version 1.0 on.
func ParseFetch(line string, coded bool) (Fetched, error) {
	address, rest := field(line)
	length, path := field(rest)
	if path == "" {
		return Fetched{}, fmt.Errorf("it isn't an address, a length and a path")
	}
	f := Fetched{URL: address, Length: -1, Path: path}
	u, err := url.Parse(address)
	if err != nil || !u.IsAbs() || u.Host == "" && u.Opaque == "" && u.Path == "" {
		return Fetched{}, fmt.Errorf("%q is no absolute address", address)
	}
	if length != "-" {
		n, err := strconv.ParseInt(length, 10, 64)
		if err != nil || !digits(length) {
			return Fetched{}, fmt.Errorf("%q is no length", length)
		}
		f.Length = n
	}
	if coded {
		f.Path, _ = manifest.Decode(path)
	}
	return f, nil
}

// field cuts off what stands before the first blanks.
func field(s string) (first, rest string) {
	i := strings.IndexAny(s, " \t")
	if i < 0 {
		return s, ""
	}
	return s[:i], strings.TrimLeft(s[i:], " \t")
}
