package provided

import (
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/manifest"
)

// what kind of list a file is by its name.
type what uint8

const (
	none   what = iota
	folder      // manifest-<alg>.txt
	tags        // tagmanifest-<alg>.txt, which means something in a bag only
	list        // of a checksum program
)

var (
	// a.wav.md5, MD5SUMS, sha256sum.txt, QV-0107_md5.txt, QV-0107.sha256sums
	named = expr.Once(`^(?:.*[._-])?(md5|sha-?1|sha-?224|sha-?256|sha-?384|sha-?512|blake3)(?:sums?)?(?:\.txt)?$`)
	short = expr.Once(`^(?:.*\.b3|(?:.*[._-])?b3sums?(?:\.txt)?)$`) // BLAKE3; "b3" alone is too common in names
	plain = expr.Once(`^(?:.*[._-])?checksums?(?:\.txt)?$`)
)

// listed says what a file is by its name without folders. The algorithm is "" if
// the list's lines have to tell it.
func listed(name string) (what, fixity.Algorithm) {
	if a, _, ok := manifest.ParseName(name); ok {
		if a == "" {
			return none, ""
		}
		return folder, a
	}
	if a, _, ok := manifest.ParseTagName(name); ok {
		if a == "" {
			return none, ""
		}
		return tags, a
	}
	low := strings.ToLower(name)
	if !slices.ContainsFunc([]string{"md5", "sha", "blake3", "b3", "checksum"}, func(part string) bool { return strings.Contains(low, part) }) {
		return none, "" // as most names: each pattern has one of these
	}
	if m := named().FindStringSubmatch(low); m != nil {
		return list, manifest.ParseAlgorithm(m[1])
	}
	if short().MatchString(low) {
		return list, fixity.BLAKE3
	}
	if plain().MatchString(low) {
		return list, ""
	}
	return none, ""
}

// owner is the file that a list of one file is named after: a.wav of a.wav.md5.
func owner(name string) string {
	i := strings.LastIndexByte(name, '.')
	if i < 1 {
		return ""
	}
	return name[:i]
}
