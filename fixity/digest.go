package fixity

import (
	"encoding/hex"
	"fmt"
	"strconv"
	"strings"
)

// Algorithm names a digest algorithm as RFC 8493, section 2.4 spells it:
// lower case, without punctuation. The names are stored: never change one.
type Algorithm string

// The algorithms that Firmus reads and writes.
const (
	MD5    Algorithm = "md5"
	SHA1   Algorithm = "sha1"
	SHA224 Algorithm = "sha224"
	SHA256 Algorithm = "sha256"
	SHA384 Algorithm = "sha384"
	SHA512 Algorithm = "sha512"
	BLAKE3 Algorithm = "blake3" // 32-byte output; not in RFC 8493's list
	// Checksums that some services report: no digests, and never those of a manifest.
	CRC32     Algorithm = "crc32"     // ITU-T V.42, section 8.1.1.6.2
	CRC32C    Algorithm = "crc32c"    // Castagnoli's polynomial; RFC 9260, appendix A
	CRC64NVME Algorithm = "crc64nvme" // NVM Express NVM Command Set Specification 1.0, section 5.2.1.3.4
)

// Digest says that an algorithm's output stands for bytes that nobody has a second text for:
// those of manifests do, checksums of a few bytes show accidents only.
func (a Algorithm) Digest() bool { return a.Size() >= 16 }

// Parts makes of an algorithm the one whose output is of the outputs for each part of so many
// bytes, one behind the other; the last part may be shorter. So services keep a checksum of
// what came up in parts.
func (a Algorithm) Parts(size int64) Algorithm {
	return a + Algorithm("/"+strconv.FormatInt(size, 10))
}

// OfParts takes apart what Parts gave; the size is 0 for any other algorithm.
func (a Algorithm) OfParts() (of Algorithm, size int64) {
	name, text, _ := strings.Cut(string(a), "/")
	size, err := strconv.ParseInt(text, 10, 64)
	if err != nil || size <= 0 || Algorithm(name).Parts(size) != a {
		return a, 0
	}
	return Algorithm(name), size
}

// Size is the length of the algorithm's output in bytes, 0 if it is unknown.
func (a Algorithm) Size() int {
	if of, size := a.OfParts(); size > 0 {
		a = of
	}
	switch a {
	case CRC32, CRC32C:
		return 4
	case CRC64NVME:
		return 8
	case MD5:
		return 16
	case SHA1:
		return 20
	case SHA224:
		return 28
	case SHA256, BLAKE3:
		return 32
	case SHA384:
		return 48
	case SHA512:
		return 64
	}
	return 0
}

// Digest is the value an algorithm gives for some bytes. Two digests are equal
// if they are equal with ==; the zero Digest is of nothing and equals no real one.
type Digest struct {
	Algorithm Algorithm
	Sum       string // lower-case hexadecimal, 2 x Algorithm.Size() characters
}

// ParseDigest reads a digest in hexadecimal of either case. The error says what
// is wrong with sum; the Digest is zero then.
func ParseDigest(a Algorithm, sum string) (Digest, error) {
	n := a.Size()
	if n == 0 {
		return Digest{}, fmt.Errorf("digest algorithm %q is not known", a)
	}
	b, err := hex.DecodeString(sum)
	if err != nil {
		return Digest{}, fmt.Errorf("%s digest %q is not hexadecimal", a, sum)
	}
	if len(b) != n {
		return Digest{}, fmt.Errorf("%s digest %q has %d hexadecimal digits, not %d", a, sum, len(sum), 2*n)
	}
	return Digest{a, hex.EncodeToString(b)}, nil
}

// DigestOf makes a digest of the raw output sum of algorithm a.
func DigestOf(a Algorithm, sum []byte) Digest { return Digest{a, hex.EncodeToString(sum)} }

// Bytes is the raw output, nil for the zero Digest.
func (d Digest) Bytes() []byte {
	b, err := hex.DecodeString(d.Sum)
	if err != nil || len(b) == 0 {
		return nil
	}
	return b
}

// IsZero says that d is of nothing.
func (d Digest) IsZero() bool { return d == Digest{} }

// String is "algorithm:hex".
func (d Digest) String() string {
	if d.IsZero() {
		return ""
	}
	return string(d.Algorithm) + ":" + d.Sum
}

// DigestIn reads what String gives; the zero Digest if s is nothing of the kind.
func DigestIn(s string) Digest {
	a, sum, _ := strings.Cut(s, ":")
	d, err := ParseDigest(Algorithm(a), sum)
	if err != nil {
		return Digest{}
	}
	return d
}
