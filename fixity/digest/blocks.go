package digest

import (
	"encoding/binary"
	"fmt"
	"hash/crc32"
)

// EncodeBlocks packs block sums for the ledger: four bytes each, little endian.
// Stored: never change the form.
func EncodeBlocks(blocks []uint32) []byte {
	b := make([]byte, 0, 4*len(blocks))
	for _, c := range blocks {
		b = binary.LittleEndian.AppendUint32(b, c)
	}
	return b
}

// DecodeBlocks is the inverse of EncodeBlocks. It fails, and gives nil, when the
// length of b isn't a multiple of four.
func DecodeBlocks(b []byte) ([]uint32, error) {
	if len(b)%4 != 0 {
		return nil, fmt.Errorf("block sums of %d bytes are not whole", len(b))
	}
	blocks := make([]uint32, 0, len(b)/4)
	for ; len(b) > 0; b = b[4:] {
		blocks = append(blocks, binary.LittleEndian.Uint32(b))
	}
	return blocks, nil
}

var zeros [BlockSize]byte

// ZeroBlock is the block sum of n zero bytes, 0 <= n <= BlockSize: what a stretch
// that was never written, or was wiped, shows.
func ZeroBlock(n int) uint32 { return crc32.Checksum(zeros[:n], castagnoli) }
