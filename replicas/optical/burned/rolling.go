package burned

import (
	"hash/crc32"

	"firmus/fixity/digest"
)

// rolling finds blocks of 64 KiB in a stream by their CRC-32C, whatever byte they begin at.
//
// A CRC without its first and last inversion is linear: that of bytes i+1 to i+n follows
// from that of i to i+n-1 by taking in byte i+n and taking out byte i followed by n zeros.
type rolling struct {
	sum    uint32
	n      int64 // bytes since the last reset
	window [digest.BlockSize]byte
	leaves [256]uint32
	wanted [1 << 16]bool // by the low half of what is sought
	turn   uint32        // of a sum as it is rolled to one as it is known
}

// silentBlock is the sum of a block of zeros.
var silentBlock = crc32.Checksum(make([]byte, digest.BlockSize), castagnoli)

func newRolling[T any](sums map[uint32]T) *rolling {
	r := &rolling{turn: silentBlock}
	zeros := make([]byte, digest.BlockSize)
	for b := range r.leaves {
		s := ^crc32.Update(^uint32(0), castagnoli, []byte{byte(b)})
		r.leaves[b] = ^crc32.Update(^s, castagnoli, zeros)
	}
	for s := range sums {
		r.wanted[uint16(s^r.turn)] = true
	}
	return r
}

func (r *rolling) reset() { r.sum, r.n = 0, 0 }

// write takes bytes in, and tells found of each block that may be one that is sought: its
// sum, and where it ends in b.
func (r *rolling) write(b []byte, found func(sum uint32, end int64)) {
	sum := r.sum
	for i, x := range b {
		at := r.n % digest.BlockSize
		sum = castagnoli[byte(sum)^x] ^ sum>>8
		if r.n >= digest.BlockSize {
			sum ^= r.leaves[r.window[at]]
		}
		r.window[at] = x
		if r.n++; r.n >= digest.BlockSize && r.wanted[uint16(sum)] {
			found(sum^r.turn, int64(i)+1)
		}
	}
	r.sum = sum
}
