package digest

import (
	"hash"

	"firmus/fixity"
)

// mostParts is how many parts an upload has at most (Amazon S3 User Guide, "Amazon S3 multipart
// upload limits").
const mostParts = 10_000

// parts is a hash of the hashes of parts. Of bytes that would have more parts than an upload may
// have its sum is of the first of them alone: no service has such a one.
type parts struct {
	hash.Hash
	of         fixity.Algorithm
	size, left int64 // of a part, and of the one begun
	sums       []byte
}

func (p *parts) Write(b []byte) (int, error) {
	n := len(b)
	for len(b) > 0 && len(p.sums) < mostParts*p.Hash.Size() {
		if p.left == 0 {
			p.sums, p.left = p.Hash.Sum(p.sums), p.size
			p.Hash.Reset()
		}
		k := min(int64(len(b)), p.left)
		p.Hash.Write(b[:k])
		b, p.left = b[k:], p.left-k
	}
	return n, nil
}

// Sum leaves what was written as it is.
func (p *parts) Sum(b []byte) []byte {
	all := p.Hash.Sum(p.sums[:len(p.sums):len(p.sums)])
	whole := newHash(p.of)
	whole.Write(all)
	return whole.Sum(b)
}

func (p *parts) Reset() {
	p.Hash.Reset()
	p.sums, p.left = nil, p.size
}
