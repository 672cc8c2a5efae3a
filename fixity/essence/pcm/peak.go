package pcm

import "encoding/binary"

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
	n, low, high := k.form.Bytes, int32(0), int32(0)
	if n == 3 && !k.form.BigEndian && !k.form.Unsigned { // most masters
		for ; len(p) >= 24; p = p[24:] {
			if k.below(p) {
				continue
			}
			for q := p[:24]; len(q) >= 3; q = q[3:] {
				x := int32(uint32(q[0])<<8 | uint32(q[1])<<16 | uint32(q[2])<<24)
				low, high = min(low, x), max(high, x)
			}
			k.high = max(k.high, int64(high), -int64(low))
		}
	}
	if len(p) > 0 {
		for ; len(p) >= n; p = p[n:] {
			v := uint32(0)
			for i := range n {
				at := i
				if k.form.BigEndian {
					at = n - 1 - i
				}
				v |= uint32(p[at]) << (8*i + 32 - 8*n)
			}
			if k.form.Unsigned {
				v ^= 1 << 31
			}
			low, high = min(low, int32(v)), max(high, int32(v))
		}
	}
	k.high = max(k.high, int64(high), -int64(low))
}

// below says that none of eight samples of 24 bits is higher than the highest so far, by
// their upper bytes alone: most need no other look. The upper bytes of the three words lie
// in places that differ, so they are looked at together, each as its distance from zero
// (of x below zero -1-x), which must be less than that of the highest.
func (k *Peak) below(p []byte) bool {
	const each, ends = 0x0101010101010101, 0x8080808080808080
	least := uint64(k.high >> 24) // at most 0x80
	a, b, c := binary.LittleEndian.Uint64(p), binary.LittleEndian.Uint64(p[8:]), binary.LittleEndian.Uint64(p[16:])
	x := a&0x0000ff0000ff0000 | b&0x00ff0000ff0000ff | c&0xff0000ff0000ff00
	sign := x & ends
	x ^= sign - sign>>7 // 0x7f where it is below zero
	return (x&^ends+(0x80-least)*each)&ends == 0
}

// High is the highest sample, whatever its sign, of which 2^31 is full scale.
func (k *Peak) High() int64 { return k.high }
