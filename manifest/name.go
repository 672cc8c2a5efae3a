package manifest

import (
	"strings"

	"firmus/fixity"
)

const (
	prefix    = "manifest-"
	tagPrefix = "tagmanifest-"
	suffix    = ".txt"
)

// Algorithms are those that lists are read and written with, the strongest that
// RFC 8493 names first. BLAKE3 isn't among RFC 8493's.
var Algorithms = []fixity.Algorithm{fixity.SHA512, fixity.SHA256, fixity.SHA384, fixity.SHA224, fixity.BLAKE3, fixity.SHA1, fixity.MD5}

// Name is the file name of a manifest by algorithm a (RFC 8493, section 2.1.3).
func Name(a fixity.Algorithm) string { return prefix + string(a) + suffix }

// TagName is the file name of a tag manifest by algorithm a (section 2.2.1).
func TagName(a fixity.Algorithm) string { return tagPrefix + string(a) + suffix }

// ParseName reads the file name of a manifest. ok says that it is one; a is ""
// if its algorithm isn't known; exact says that it is spelled as section 2.4
// asks: lower case, letters and digits only.
func ParseName(name string) (a fixity.Algorithm, exact, ok bool) { return parseName(name, prefix) }

// ParseTagName does the same for a tag manifest.
func ParseTagName(name string) (a fixity.Algorithm, exact, ok bool) {
	return parseName(name, tagPrefix)
}

func parseName(name, prefix string) (a fixity.Algorithm, exact, ok bool) {
	if len(name) <= len(prefix)+len(suffix) ||
		!strings.EqualFold(name[:len(prefix)], prefix) || !strings.EqualFold(name[len(name)-len(suffix):], suffix) {
		return "", false, false
	}
	word := name[len(prefix) : len(name)-len(suffix)]
	if strings.ContainsAny(word, "/ \t") {
		return "", false, false
	}
	a = ParseAlgorithm(word)
	return a, name == prefix+string(a)+suffix, true
}

// ParseAlgorithm finds the algorithm that is commonly called word: SHA-256,
// sha256, SHA2-256. It is "" if there is none (RFC 8493, section 2.4).
func ParseAlgorithm(word string) fixity.Algorithm {
	plain := strings.Map(func(r rune) rune {
		switch {
		case r >= 'A' && r <= 'Z':
			return r + 'a' - 'A'
		case r >= 'a' && r <= 'z', r >= '0' && r <= '9':
			return r
		}
		return -1
	}, word)
	if rest, found := strings.CutPrefix(plain, "sha2"); found && (len(rest) == 3) {
		plain = "sha" + rest // as some programs call SHA-256 within its family
	}
	if a := fixity.Algorithm(plain); a.Digest() {
		return a
	}
	return ""
}
