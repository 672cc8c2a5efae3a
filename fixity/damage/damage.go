// Package damage says how a file's bytes differ from its version's, where, and
// where in the recording that is. It is pure: it gets block sums, open readers
// and numbers, and gives values.
//
// Two strengths of answer exist. FromBlocks knows the sums of 64 KiB blocks only,
// which the ledger keeps of every version. FromBytes reads an intact copy beside
// the damaged one and knows every byte. Damage.Sure tells when the weaker one is
// as good as the stronger.
//
// Whether the bytes are those of another known file is not decided here, nor
// whether the difference is a finding.
package damage

import "firmus/fixity"

// Damage is the anatomy of a difference. The zero Damage is no difference.
type Damage struct {
	// Anatomy is CutShort, Grown, Zeroed, Flipped or Replaced; "" where nothing differs.
	// DescriptionOnly is decided by DescriptionOnly, from digests of the samples.
	Anatomy fixity.Anatomy

	// Ranges are the stretches that differ, in ascending order, apart from each
	// other, at most fixity.MaxRanges. Offsets count from the beginning of the
	// file; where the sizes differ the longer file's end is the end, so that what
	// was cut off and what was added are ranges too. From blocks they are whole
	// 64 KiB blocks; from bytes they are exact, see MergeGap.
	Ranges []fixity.Range

	// More says that there were more than fixity.MaxRanges ranges.
	More bool

	// Blocks counts the 64 KiB blocks that differ.
	Blocks int

	// Bytes counts the bytes that differ, also those cut off or added, and Bits
	// the bits that differ where both files have a byte. Both are 0 from blocks.
	Bytes, Bits int64

	// Exact says that the bytes themselves were compared.
	Exact bool

	// Sure says that comparing the bytes would give the same Anatomy. From blocks
	// it is true only for a cut or an addition at the edge of a block and for long
	// runs of zeros, provided that no CRC-32C agrees by accident; otherwise read
	// an intact copy beside the damaged one, where there is one.
	Sure bool
}

// None says that nothing differs.
func (d Damage) None() bool { return d.Anatomy == "" }

// The rules that tell one anatomy from another. They are choices of this project
// (common practice, no standard), so they are kept together here.
const (
	// MinZeroed is the least length in bytes of a stretch that counts as zeroed,
	// from its first to its last byte that was something else before. It is the
	// line of a processor's cache, the smallest piece that hardware loses as one;
	// fewer zeros than that are bytes that changed their value. A file of nothing
	// but zeros is zeroed whatever its length.
	MinZeroed = 64

	// MergeGap is the number of equal bytes in a row that part two exact ranges:
	// differences with fewer equal bytes between them are one range. Bytes agree
	// by accident inside a damaged stretch, and a range for each would say less.
	MergeGap = 64

	// FewBytes is how many bytes may differ in a file of any size, however small,
	// for it still to be flipped rather than replaced.
	FewBytes = 8
)

// A file of the same length is flipped if at most half of it differs (of its
// blocks, or of its bytes as covered by the exact ranges), and replaced if more
// does. One differing block, or FewBytes differing bytes, is flipped in any case.
func few(differs, of int64) bool { return differs <= of-differs }
