package pcm_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/zeebo/blake3"

	"firmus/fixity"
	"firmus/fixity/essence/pcm"
)

func blake(b []byte) fixity.Digest {
	sum := blake3.Sum256(b)
	return fixity.DigestOf(fixity.BLAKE3, sum[:])
}

func TestForms(t *testing.T) {
	for _, c := range []struct {
		name    string
		form    pcm.Form
		in, out []byte
		bits    int
	}{
		{"16 bit little endian", pcm.Form{Bits: 16, Bytes: 2}, []byte{1, 2, 3, 0x84}, []byte{1, 2, 3, 0x84}, 16},
		{"16 bit big endian", pcm.Form{Bits: 16, Bytes: 2, BigEndian: true}, []byte{2, 1, 0x84, 3}, []byte{1, 2, 3, 0x84}, 16},
		{"24 bit big endian", pcm.Form{Bits: 24, Bytes: 3, BigEndian: true}, []byte{3, 2, 1, 6, 5, 4}, []byte{1, 2, 3, 4, 5, 6}, 24},
		{"32 bit big endian", pcm.Form{Bits: 32, Bytes: 4, BigEndian: true}, []byte{4, 3, 2, 1}, []byte{1, 2, 3, 4}, 32},
		{"64 bit big endian", pcm.Form{Bits: 64, Bytes: 8, BigEndian: true}, []byte{8, 7, 6, 5, 4, 3, 2, 1}, []byte{1, 2, 3, 4, 5, 6, 7, 8}, 64},
		{"8 bit unsigned", pcm.Form{Bits: 8, Bytes: 1, Unsigned: true}, []byte{0, 0x80, 0xff}, []byte{0x80, 0, 0x7f}, 8},
		{"8 bit signed", pcm.Form{Bits: 8, Bytes: 1}, []byte{0, 0x80, 0xff}, []byte{0, 0x80, 0xff}, 8},
		{"8 bit signed, big endian", pcm.Form{Bits: 8, Bytes: 1, BigEndian: true}, []byte{0, 0x80, 0xff}, []byte{0, 0x80, 0xff}, 8},
		{"16 bit unsigned big endian", pcm.Form{Bits: 16, Bytes: 2, Unsigned: true, BigEndian: true}, []byte{0x80, 1}, []byte{1, 0}, 16},
		{"24 in 32", pcm.Form{Bits: 24, Bytes: 4}, []byte{0, 1, 2, 3, 0, 4, 5, 0x86}, []byte{1, 2, 3, 4, 5, 0x86}, 24},
		{"24 in 32 big endian", pcm.Form{Bits: 24, Bytes: 4, BigEndian: true}, []byte{3, 2, 1, 0}, []byte{1, 2, 3}, 24},
		{"24 in 32, all 32 in use", pcm.Form{Bits: 24, Bytes: 4}, []byte{0, 1, 2, 3, 9, 4, 5, 6}, []byte{0, 1, 2, 3, 9, 4, 5, 6}, 32},
		{"20 in 24", pcm.Form{Bits: 20, Bytes: 3}, []byte{0x10, 0x32, 0x54, 0xf0, 0xff, 0xff}, []byte{0x21, 0x43, 5, 0xff, 0xff, 0xff}, 20},
		{"12 in 16", pcm.Form{Bits: 12, Bytes: 2}, []byte{0x10, 0x80}, []byte{1, 0xf8}, 12},
		{"6 in 8, unsigned", pcm.Form{Bits: 6, Bytes: 1, Unsigned: true}, []byte{0x84, 0x00}, []byte{1, 0xe0}, 6},
		{"as it is", pcm.Form{Bits: 32, Bytes: 4, AsIs: true}, []byte{4, 3, 2, 1, 9}, []byte{4, 3, 2, 1, 9}, 32},
		{"half a sample at the end", pcm.Form{Bits: 16, Bytes: 2, BigEndian: true}, []byte{2, 1, 9}, []byte{1, 2}, 16},
	} {
		t.Run(c.name, func(t *testing.T) {
			if !c.form.Valid() {
				t.Fatal("the form isn't valid")
			}
			for piece := 1; piece <= len(c.in); piece++ {
				d := pcm.New(c.form)
				for rest := c.in; len(rest) > 0; {
					n := min(piece, len(rest))
					if m, err := d.Write(rest[:n]); m != n || err != nil {
						t.Fatal(m, err)
					}
					rest = rest[n:]
				}
				got, bits := d.Sum()
				if got != blake(c.out) || bits != c.bits {
					t.Errorf("in pieces of %d: %d bits, not the digest of % x", piece, bits, c.out)
				}
			}
		})
	}
}

func TestFormsThatCannotBe(t *testing.T) {
	for _, f := range []pcm.Form{{}, {Bits: 0, Bytes: 2}, {Bits: 17, Bytes: 2}, {Bits: 65, Bytes: 9}, {Bits: -1, Bytes: 1}} {
		if f.Valid() {
			t.Errorf("%+v is valid", f)
		}
	}
}

// Long input, so that pieces are split inside.
func TestLong(t *testing.T) {
	in := make([]byte, 3*100001)
	rand.NewChaCha8([32]byte{1}).Read(in)
	out := make([]byte, 0, len(in))
	for i := 0; i < len(in); i += 3 {
		out = append(out, in[i+2], in[i+1], in[i])
	}
	d := pcm.New(pcm.Form{Bits: 24, Bytes: 3, BigEndian: true})
	d.Write(in[:7])
	d.Write(in[7:])
	if got, _ := d.Sum(); got != blake(out) {
		t.Error("wrong digest")
	}
}

type stretch struct{ From, To int64 }

// naive is what Zeros should find, by looking at every byte.
func naive(p []byte, value byte, frame, least int64) (out []stretch) {
	noise := false
	for i := 0; i < len(p); {
		if p[i] != value {
			noise = true
			i++
			continue
		}
		j := i
		for j < len(p) && p[j] == value {
			j++
		}
		from, to := (int64(i)+frame-1)/frame*frame, int64(j)/frame*frame
		if noise && j < len(p) && to-from > least*frame {
			out = append(out, stretch{from, to})
		}
		i = j
	}
	return out
}

// sums is what Sum should give: the runs at both ends count.
func sums(p []byte, value byte, frame, least int64) (total, longest int64) {
	for i := 0; i < len(p); i++ {
		j := i
		for j < len(p) && p[j] == value {
			j++
		}
		if n := int64(j)/frame*frame - (int64(i)+frame-1)/frame*frame; n > least*frame {
			total, longest = total+n, max(longest, n)
		}
		i = j
	}
	return total, longest
}

func TestZeros(t *testing.T) {
	r := rand.New(rand.NewPCG(1, 2))
	found := 0
	for round := range 500 {
		value := byte(0x80 * (round % 2))
		frame, least := int64(1+r.IntN(12)), int64(1+r.IntN(40))
		p := make([]byte, 1+r.IntN(5000))
		for i := range p {
			p[i] = value
		}
		for range r.IntN(40) {
			at := r.IntN(len(p))
			for i := at; i < min(len(p), at+r.IntN(100)); i++ {
				p[i] = value + byte(r.IntN(4))
			}
		}
		var got []stretch
		z := pcm.NewZeros(value, int(frame), least, func(from, to int64) { got = append(got, stretch{from, to}) })
		for rest := p; len(rest) > 0; {
			n := 1 + r.IntN(len(rest))
			z.Write(rest[:n])
			rest = rest[n:]
		}
		total, longest := sums(p, value, frame, least)
		if a, b := z.Sum(); a != total || b != longest {
			t.Fatalf("round %d: %d bytes of silence, %d in one run; want %d and %d", round, a, b, total, longest)
		}
		want := naive(p, value, frame, least)
		found += len(want)
		if diff := cmp.Diff(want, got); diff != "" {
			t.Fatalf("round %d, frames of %d, at least %d (-want +got):\n%s", round, frame, least, diff)
		}
	}
	if found < 100 {
		t.Errorf("only %d stretches were there to be found", found)
	}
}

// The baseline is BLAKE3 of the same bytes and nothing else.
func BenchmarkSamples(b *testing.B) {
	p := make([]byte, 12<<20)
	rand.NewChaCha8([32]byte{1}).Read(p)
	b.Run("baseline", func(b *testing.B) {
		b.SetBytes(int64(len(p)))
		for b.Loop() {
			h := blake3.New()
			h.Write(p)
			h.Sum(nil)
		}
	})
	for _, f := range []pcm.Form{
		{Bits: 24, Bytes: 3}, {Bits: 24, Bytes: 3, BigEndian: true}, {Bits: 16, Bytes: 2, BigEndian: true},
		{Bits: 8, Bytes: 1, Unsigned: true}, {Bits: 24, Bytes: 4},
	} {
		b.Run(fmt.Sprintf("%+v", f), func(b *testing.B) {
			b.SetBytes(int64(len(p)))
			for b.Loop() {
				d := pcm.New(f)
				for rest := p; len(rest) > 0; rest = rest[min(len(rest), 64<<10):] {
					d.Write(rest[:min(len(rest), 64<<10)])
				}
				d.Sum()
			}
		})
	}
	for name, p := range map[string][]byte{"noise": p, "silence": bytes.Repeat([]byte{0}, len(p))} {
		b.Run("zeros in "+name, func(b *testing.B) {
			b.SetBytes(int64(len(p)))
			for b.Loop() {
				pcm.NewZeros(0, 6, 9600, func(_, _ int64) {}).Write(p)
			}
		})
	}
}
