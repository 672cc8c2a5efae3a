package pcm

import (
	"encoding/binary"
	"math/bits"
)

// Peak finds the highest sample of whole numbers that pass by in pieces of any length.
type Peak struct {
	form  Form
	carry []byte
	high  int64
}

// NewPeak makes one. Of samples that are no whole numbers of at most 32 bits it finds nothing.
func NewPeak(f Form) *Peak { return &Peak{form: f} }

// Write takes the next bytes of samples. It never fails.
func (k *Peak) Write(p []byte) (int, error) {
	all, n := len(p), k.form.Bytes
	if k.form.AsIs || n < 1 || n > 4 {
		return all, nil
	}
	if len(k.carry) > 0 {
		m := min(n-len(k.carry), len(p))
		k.carry = append(k.carry, p[:m]...)
		p = p[m:]
		if len(k.carry) < n {
			return all, nil
		}
		k.look(k.carry)
		k.carry = k.carry[:0]
	}
	whole := len(p) / n * n
	k.look(p[:whole])
	k.carry = append(k.carry, p[whole:]...)
	return all, nil
}

func (k *Peak) look(p []byte) {
	for group := 8 * k.form.Bytes; len(p) > group; p = p[group:] {
		if p = p[k.below(p):]; len(p) <= group {
			break
		}
		k.each(p[:group])
	}
	k.each(p)
}

// each looks at every sample.
func (k *Peak) each(p []byte) {
	n, low, high := k.form.Bytes, int32(0), int32(0)
	if n == 3 && !k.form.BigEndian && !k.form.Unsigned { // most masters
		for ; len(p) >= 3; p = p[3:] {
			v := int32(uint32(p[0])<<8 | uint32(p[1])<<16 | uint32(p[2])<<24)
			low, high = min(low, v), max(high, v)
		}
	}
	for ; len(p) >= n; p = p[n:] {
		v := uint32(0)
		switch n {
		case 1:
			v = uint32(p[0])
		case 2:
			v = uint32(p[0]) | uint32(p[1])<<8
		case 3:
			v = uint32(p[0]) | uint32(p[1])<<8 | uint32(p[2])<<16
		default:
			v = binary.LittleEndian.Uint32(p)
		}
		if k.form.BigEndian {
			v = bits.ReverseBytes32(v)
		} else {
			v <<= 32 - 8*n
		}
		if k.form.Unsigned {
			v ^= 1 << 31
		}
		low, high = min(low, int32(v)), max(high, int32(v))
	}
	k.high = max(k.high, int64(high), -int64(low))
}

// below gives at how many of the first bytes no sample is higher than the highest so far, by
// their upper bytes alone: most need no other look. The upper bytes of eight samples, of which
// those of each word lie in other places than those of the next, are looked at together: each
// as its distance from zero (of x below zero -1-x), which must be less than that of the highest.
func (k *Peak) below(p []byte) int {
	const ends = 0x8080808080808080
	room := (0x80 - uint64(k.high>>24)) * 0x0101010101010101 // k.high>>24 is at most 0x80
	flip := uint64(0)
	if k.form.Unsigned {
		flip = ends
	}
	far := func(x uint64) bool {
		x ^= flip
		sign := x & ends
		x ^= sign - sign>>7 // 0x7f where it is below zero
		return (x&^ends+room)&ends != 0
	}
	all := len(p)
	switch k.form.Bytes {
	case 2:
		m, turn := uint64(0xff00ff00ff00ff00), -8
		if k.form.BigEndian {
			m, turn = m>>8, -turn
		}
		for ; len(p) >= 16; p = p[16:] {
			if far(word(p)&m | bits.RotateLeft64(word(p[8:])&m, turn)) {
				break
			}
		}
	case 3:
		a, b, c := uint64(0x0000ff0000ff0000), uint64(0x00ff0000ff0000ff), uint64(0xff0000ff0000ff00)
		if k.form.BigEndian {
			a, b, c = b, c, a
		}
		for ; len(p) >= 24; p = p[24:] {
			if far(word(p)&a | word(p[8:])&b | word(p[16:])&c) {
				break
			}
		}
	case 4:
		m, turn := uint64(0xff000000ff000000), -8
		if k.form.BigEndian {
			m, turn = m>>24, -turn
		}
		for ; len(p) >= 32; p = p[32:] {
			if far(word(p)&m | bits.RotateLeft64(word(p[8:])&m, turn) | bits.RotateLeft64(word(p[16:])&m, 2*turn) | bits.RotateLeft64(word(p[24:])&m, 3*turn)) {
				break
			}
		}
	}
	return all - len(p)
}

func word(p []byte) uint64 { return binary.LittleEndian.Uint64(p) }

// High is the highest sample, whatever its sign, of which 2^31 is full scale.
func (k *Peak) High() int64 { return k.high }
