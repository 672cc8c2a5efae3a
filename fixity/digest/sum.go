package digest

import (
	"crypto/md5"
	"crypto/sha1"
	"crypto/sha256"
	"crypto/sha512"
	"fmt"
	"hash"
	"hash/crc32"
	"hash/crc64"
	"slices"

	"firmus/fixity"
	"firmus/fixity/digest/blake3"
)

// BlockSize is the length in bytes of what one block sum covers. Block sums are
// stored: never change it.
const BlockSize = 64 << 10

var (
	castagnoli = crc32.MakeTable(crc32.Castagnoli)
	nvme       = crc64.MakeTable(0x9a6c9329ac4bc9b5) // the polynomial AD93D23594C93659, its bits turned round
)

// Sums is what one pass over some bytes gives.
type Sums struct {
	Size    int64           // bytes
	Digests []fixity.Digest // in the order asked for, each algorithm once
	Blocks  []uint32        // CRC-32C of each BlockSize bytes; the last block may be shorter
}

// Get is the digest by algorithm a, false if it wasn't asked for.
func (s Sums) Get(a fixity.Algorithm) (fixity.Digest, bool) {
	for _, d := range s.Digests {
		if d.Algorithm == a {
			return d, true
		}
	}
	return fixity.Digest{}, false
}

// Sum takes bytes by Write and gives their Sums: for bytes that are on their way
// somewhere. To read a file, Read is faster. Not safe for concurrent use.
type Sum struct {
	algs   []fixity.Algorithm
	hashes []hash.Hash
	size   int64
	blocks []uint32 // of complete blocks
	crc    uint32   // of the block begun
	fill   int      // bytes in the block begun

	noBlocks bool  // leaves the block sums out
	tree     *tree // instead of the only hash
}

// NewSum makes a Sum for the algorithms, each counted once. It fails only when
// an algorithm is not known. Without algorithms it still counts and gives block sums.
func NewSum(algs ...fixity.Algorithm) (*Sum, error) {
	s := &Sum{}
	for _, a := range algs {
		if slices.Contains(s.algs, a) {
			continue
		}
		h := newHash(a)
		if h == nil {
			return nil, fmt.Errorf("digest algorithm %q is not known", a)
		}
		s.algs = append(s.algs, a)
		s.hashes = append(s.hashes, h)
	}
	return s, nil
}

func newHash(a fixity.Algorithm) hash.Hash {
	if of, size := a.OfParts(); size > 0 {
		h := newHash(of)
		if h == nil {
			return nil
		}
		return &parts{Hash: h, of: of, size: size, left: size}
	}
	switch a {
	case fixity.CRC32:
		return crc32.NewIEEE()
	case fixity.CRC32C:
		return crc32.New(castagnoli)
	case fixity.CRC64NVME:
		return crc64.New(nvme)
	case fixity.MD5:
		return md5.New()
	case fixity.SHA1:
		return sha1.New()
	case fixity.SHA224:
		return sha256.New224()
	case fixity.SHA256:
		return sha256.New()
	case fixity.SHA384:
		return sha512.New384()
	case fixity.SHA512:
		return sha512.New()
	case fixity.BLAKE3:
		return blake3.New()
	}
	return nil
}

// end ends the Sum: nothing of it may be used any more.
func (s *Sum) end() {
	for _, h := range s.hashes {
		blake3.End(h)
	}
	s.hashes = nil
}

// Write adds p. It never fails.
func (s *Sum) Write(p []byte) (int, error) {
	for _, h := range s.hashes {
		h.Write(p)
	}
	if !s.noBlocks {
		s.addBlocks(p)
	}
	s.size += int64(len(p))
	return len(p), nil
}

func (s *Sum) addBlocks(p []byte) {
	for len(p) > 0 {
		n := min(len(p), BlockSize-s.fill)
		s.crc = crc32.Update(s.crc, castagnoli, p[:n])
		s.fill += n
		p = p[n:]
		if s.fill == BlockSize {
			s.blocks = append(s.blocks, s.crc)
			s.crc, s.fill = 0, 0
		}
	}
}

// Sums is of everything written so far; more may be written afterwards.
func (s *Sum) Sums() Sums {
	out := Sums{Size: s.size, Blocks: slices.Clone(s.blocks)}
	if s.fill > 0 {
		out.Blocks = append(out.Blocks, s.crc)
	}
	if s.tree != nil {
		out.Digests = append(out.Digests, s.tree.digest())
		return out
	}
	for i, a := range s.algs {
		out.Digests = append(out.Digests, fixity.DigestOf(a, s.hashes[i].Sum(nil)))
	}
	return out
}
