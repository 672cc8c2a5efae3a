package pcm

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
		for ; len(p) >= 3; p = p[3:] {
			x := int32(uint32(p[0])<<8 | uint32(p[1])<<16 | uint32(p[2])<<24)
			low, high = min(low, x), max(high, x)
		}
	} else {
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

// High is the highest sample, whatever its sign, of which 2^31 is full scale.
func (k *Peak) High() int64 { return k.high }
