package fixity

// Basis says by what a service tells that it keeps a file as it came. Stored: never change
// one; "" is of a file that no service keeps, or of which that isn't known.
type Basis string

// By what a service reports a file: the first few are digests and checksums of the whole
// file that it keeps itself.
const (
	BySHA256   Basis = "sha256"
	ByMD5      Basis = "md5"
	ByCRC64    Basis = "crc64nvme"
	ByCRC32C   Basis = "crc32c"
	ByCRC32    Basis = "crc32"
	BySHA1     Basis = "sha1"
	ByJoined   Basis = "joined"     // of the checksums of parts, of which the sizes are known
	ByTagParts Basis = "etag-parts" // what is made of the MD5s of such parts, if it looks like that
	ByETag     Basis = "etag"       // what is an MD5 if the file came in one part, and looks like one
	ByUploader Basis = "uploader"   // what whoever uploaded the file said of it
	NotYet     Basis = "not-yet"    // one of these that nobody has found out of the version yet
	ByParts    Basis = "parts"      // a checksum of the checksums of parts, of which the sizes aren't known
	BySign     Basis = "sign"       // size and time alone
	ByOther    Basis = "other"      // one of the first, and not the version's: in counts alone
)

// BasisOf is that of a service's own checksum by an algorithm.
func BasisOf(a Algorithm) Basis {
	if _, size := a.OfParts(); size > 0 {
		return ByJoined
	}
	return Basis(a)
}

// Weak is that the report may be of something else than the bytes: that it agrees is a
// report, that it doesn't is none.
func (b Basis) Weak() bool { return b == ByETag || b == ByUploader || b == ByTagParts }

// Says is that a report rests on it. What no listing has told since an earlier version of
// Firmus is taken for one that does.
func (b Basis) Says() bool { return b != NotYet && b != ByParts && b != BySign }
