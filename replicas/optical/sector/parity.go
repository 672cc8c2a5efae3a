package sector

import "bytes"

// Reed-Solomon product code of ECMA-130, annex B: bytes from the header on, taken
// as 16-bit words of two planes. P: 43 words in 24 rows are the columns, with two
// words of parity below each. Q: 26 diagonals of 43 words, two words of parity
// each. Arithmetic in GF(2^8) with x^8+x^4+x^3+x^2+1.

// double multiplies by the primitive element.
func double(a byte) byte {
	if a&0x80 != 0 {
		return a<<1 ^ 0x1D
	}
	return a << 1
}

// byThree divides by the primitive element plus one.
var byThree = func() (t [256]byte) {
	for i := range 256 {
		t[byte(i)^double(byte(i))] = byte(i)
	}
	return t
}()

// pair gives the two parity bytes behind n bytes of a code word, so that the sum of
// all, and the sum weighted by powers of the primitive element (the last byte's is
// 1), are zero (annex B: the rows of the parity check matrix).
func pair(n int, at func(int) byte) (a, b byte) {
	var sum, weighted byte
	for i := range n {
		v := at(i)
		sum ^= v
		weighted = double(weighted ^ v)
	}
	weighted = double(weighted)
	// a + b = sum, 2a + b = weighted.
	a = byThree[sum^weighted]
	return a, a ^ sum
}

// codes works out the parity of a raw sector of data. In mode 2 the header counts
// as zeros, so that sectors may be moved.
func codes(raw []byte, mode2 bool) (p [172]byte, q [104]byte) {
	var w [parQ - header]byte
	copy(w[:], raw[header:parity])
	if mode2 {
		clear(w[:4])
	}
	for plane := range 2 {
		for col := range 43 {
			a, b := pair(24, func(i int) byte { return w[2*(43*i+col)+plane] })
			p[2*col+plane], p[86+2*col+plane] = a, b
		}
	}
	copy(w[parity-header:], p[:])
	for plane := range 2 {
		for diag := range 26 {
			a, b := pair(43, func(i int) byte { return w[2*((43*diag+44*i)%1118)+plane] })
			q[2*diag+plane], q[52+2*diag+plane] = a, b
		}
	}
	return p, q
}

func parityRight(raw []byte, mode2 bool) bool {
	p, q := codes(raw, mode2)
	return bytes.Equal(raw[parity:parQ], p[:]) && bytes.Equal(raw[parQ:Raw], q[:])
}
