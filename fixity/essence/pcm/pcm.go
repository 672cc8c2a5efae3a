// Package pcm digests samples in one canonical form, and finds digital silence.
//
// The canonical form is that of RFC 9639, section 8.2, of which FLAC's own MD5 is:
// the frames in order, in each the channels in order, each sample in the least
// number of whole bytes that holds its bits, little endian, signed in two's
// complement, sign-extended. So 16 bits take two bytes and 20 and 24 bits three,
// whatever the file spends on them. In detail:
//
//   - Big-endian samples (AIFF, AIFC) are swapped.
//   - Unsigned samples (WAVE up to 8 bits, AIFC "raw ") have their highest bit
//     inverted, which makes them signed.
//   - Samples with fewer bits than their container, such as 24 bits in four
//     bytes, lie at its upper end in WAVE (Multiple Channel Audio Data and WAVE
//     Files) and AIFF 1.3 alike, with zeros below; they are shifted down. If any
//     of the bits below isn't zero, the header is wrong about the depth, and all
//     samples count as being as wide as their container.
//   - Floating point samples are IEEE 754, little endian.
//   - Samples in any other code are digested as they lie.
//
// The digest is BLAKE3 of that. It says nothing of rate and number of channels:
// compare them too.
package pcm

import (
	"encoding/binary"
	"hash"

	"firmus/fixity"
	"firmus/fixity/digest/blake3"
)

// Form is how samples lie in a file.
type Form struct {
	Bits      int // significant bits, 1 to 64
	Bytes     int // bytes of one sample, 1 to 8
	BigEndian bool
	Unsigned  bool
	AsIs      bool // floating point in little endian, or another code: no change
}

// Digester digests samples that pass by in pieces of any length.
type Digester struct {
	form  Form
	hash  hash.Hash
	full  hash.Hash // the container as a whole; nil where it has no padding
	used  bool      // some bit of the padding is not zero
	carry []byte    // the beginning of a sample
	out   []byte
	out2  []byte
}

// New makes a digester. The form must be one that Valid accepts.
func New(f Form) *Digester {
	if f.Bytes == 1 {
		f.BigEndian = false
	}
	d := &Digester{form: f, hash: blake3.New()}
	if !f.AsIs && f.Bits < 8*f.Bytes {
		d.full = blake3.New()
	}
	return d
}

// Valid says that samples can have the form.
func (f Form) Valid() bool {
	return f.AsIs || f.Bytes >= 1 && f.Bytes <= 8 && f.Bits >= 1 && f.Bits <= 8*f.Bytes
}

// Write takes the next bytes of samples. It never fails.
func (d *Digester) Write(p []byte) (int, error) {
	all := len(p)
	if d.form.AsIs || d.full == nil && !d.form.BigEndian && !d.form.Unsigned {
		d.hash.Write(p)
		return all, nil
	}
	n := d.form.Bytes
	if len(d.carry) > 0 {
		m := min(n-len(d.carry), len(p))
		d.carry = append(d.carry, p[:m]...)
		p = p[m:]
		if len(d.carry) < n {
			return all, nil
		}
		d.convert(d.carry)
		d.carry = d.carry[:0]
	}
	const piece = 1 << 15
	for len(p) >= n {
		m := min(len(p), piece) / n * n
		d.convert(p[:m])
		p = p[m:]
	}
	d.carry = append(d.carry, p...)
	return all, nil
}

// convert takes whole samples.
func (d *Digester) convert(p []byte) {
	switch {
	case d.full != nil:
		d.narrow(p)
		return
	case d.form.Bytes == 1:
		d.out = d.out[:0]
		for _, x := range p {
			d.out = append(d.out, x^0x80)
		}
	default:
		d.out = append(d.out[:0], p...)
		if d.form.BigEndian {
			swap(d.out, d.form.Bytes)
		}
		if d.form.Unsigned {
			for i := d.form.Bytes - 1; i < len(d.out); i += d.form.Bytes {
				d.out[i] ^= 0x80
			}
		}
	}
	d.hash.Write(d.out)
}

// swap turns samples of n bytes round in place.
func swap(b []byte, n int) {
	switch n {
	case 2:
		for i := 0; i+1 < len(b); i += 2 {
			b[i], b[i+1] = b[i+1], b[i]
		}
	case 3:
		for i := 0; i+2 < len(b); i += 3 {
			b[i], b[i+2] = b[i+2], b[i]
		}
	default:
		for ; len(b) >= n; b = b[n:] {
			for i, j := 0, n-1; i < j; i, j = i+1, j-1 {
				b[i], b[j] = b[j], b[i]
			}
		}
	}
}

// narrow takes samples out of containers that are wider.
func (d *Digester) narrow(p []byte) {
	n, want := d.form.Bytes, (d.form.Bits+7)/8
	drop := uint(8*n - d.form.Bits)
	d.out, d.out2 = d.out[:0], d.out2[:0]
	var b [8]byte
	for ; len(p) >= n; p = p[n:] {
		b = [8]byte{}
		copy(b[:], p[:n])
		if d.form.BigEndian {
			swap(b[:n], n)
		}
		v := binary.LittleEndian.Uint64(b[:])
		if d.form.Unsigned {
			v ^= 1 << (8*n - 1)
		}
		if v&(1<<drop-1) != 0 {
			d.used = true
		}
		binary.LittleEndian.PutUint64(b[:], v)
		d.out2 = append(d.out2, b[:n]...)
		s := int64(v<<(64-8*n)) >> (64 - 8*n) >> drop
		binary.LittleEndian.PutUint64(b[:], uint64(s))
		d.out = append(d.out, b[:want]...)
	}
	d.hash.Write(d.out)
	d.full.Write(d.out2)
}

// Sum is the digest of the whole samples, and the depth that it is of: the form's bits, or
// 8 times its bytes if the bits below were used. It ends the digester.
func (d *Digester) Sum() (fixity.Digest, int) {
	h, bits := d.hash, d.form.Bits
	if d.used {
		h, bits = d.full, 8*d.form.Bytes
	}
	sum := fixity.DigestOf(fixity.BLAKE3, h.Sum(nil))
	blake3.End(d.hash)
	if d.full != nil {
		blake3.End(d.full)
	}
	d.hash, d.full = nil, nil
	return sum, bits
}
