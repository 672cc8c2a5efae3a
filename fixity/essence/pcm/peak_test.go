package pcm_test

import (
	"fmt"
	"math/rand/v2"
	"slices"
	"testing"

	"firmus/fixity/essence/pcm"
)

// highest is what Peak should find, by looking at each sample of little endian bytes.
func highest(p []byte, n int) (high int64) {
	for ; len(p) >= n; p = p[n:] {
		v := uint32(0)
		for i := range n {
			v |= uint32(p[i]) << (32 - 8*n + 8*i)
		}
		high = max(high, int64(int32(v)), -int64(int32(v)))
	}
	return high
}

// Samples of all loudnesses, in pieces of any length, with single higher ones on either side
// of zero, the lowest of all among them.
func TestPeak(t *testing.T) {
	r := rand.New(rand.NewPCG(3, 4))
	for round := range 2000 {
		n := 2 + round%3
		p := make([]byte, n*(1+r.IntN(200)))
		quiet := r.IntN(256)
		for i := 0; i+n <= len(p); i += n {
			for k := range n {
				p[i+k] = byte(r.Uint32())
			}
			if top := int8(r.IntN(quiet+1) - quiet/2 - quiet%2); r.IntN(30) > 0 {
				p[i+n-1] = byte(top)
			}
			if r.IntN(400) == 0 {
				copy(p[i:], []byte{0, 0, 0, 0}[:n-1])
				p[i+n-1] = 0x80
			}
		}
		want, form := highest(p, n), pcm.Form{Bits: 8 * n, Bytes: n, BigEndian: round%4 >= 2, Unsigned: round%8 >= 4}
		for i := 0; i < len(p); i += n {
			if form.Unsigned {
				p[i+n-1] ^= 0x80
			}
			if form.BigEndian {
				slices.Reverse(p[i : i+n])
			}
		}
		k := pcm.NewPeak(form)
		for rest := p; len(rest) > 0; {
			m := 1 + r.IntN(len(rest))
			k.Write(rest[:m])
			rest = rest[m:]
		}
		if got := k.High(); got != want {
			t.Fatalf("round %d, %+v: %d, want %d", round, form, got, want)
		}
	}
}

// In noise.
func BenchmarkPeak(b *testing.B) {
	p := make([]byte, 12<<16)
	rand.NewChaCha8([32]byte{1}).Read(p)
	for _, n := range []int{2, 3, 4} {
		b.Run(fmt.Sprint(8*n), func(b *testing.B) {
			b.SetBytes(int64(len(p)))
			for b.Loop() {
				pcm.NewPeak(pcm.Form{Bits: 8 * n, Bytes: n}).Write(p)
			}
		})
	}
}
