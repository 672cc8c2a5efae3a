package damage_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strings"
	"testing"
	"testing/iotest"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/damage"
)

func TestBits(t *testing.T) {
	a := noise(2*block, 1)
	b := clone(a)
	b[3] ^= 0xff
	b[block+3] ^= 0x81
	d := fromBytes(t, a, b)
	if d.Bytes != 2 || d.Bits != 10 {
		t.Errorf("%d bytes and %d bits differ, want 2 and 10", d.Bytes, d.Bits)
	}
	// Bits are counted only where both have a byte.
	d = fromBytes(t, a, b[:block])
	if d.Bytes != 1+block || d.Bits != 8 {
		t.Errorf("cut: %d bytes and %d bits differ, want %d and 8", d.Bytes, d.Bits, 1+block)
	}
}

// The shortest stretch of zeros that counts, and the longest that doesn't, over
// the edge of a block too.
func TestMinZeroed(t *testing.T) {
	a := noise(4*block, 2)
	for _, at := range []int{100, block - 30, 4*block - damage.MinZeroed} {
		for n, want := range map[int]fixity.Anatomy{damage.MinZeroed: fixity.Zeroed, damage.MinZeroed - 1: fixity.Flipped} {
			if d := fromBytes(t, a, zero(a, at, at+n)); d.Anatomy != want {
				t.Errorf("%d zeros at %d are %s, want %s", n, at, d.Anatomy, want)
			}
		}
	}
	// What is right between two stretches of zeros parts them, however it lies in blocks.
	few := zero(zero(a, block-40, block), 2*block, 2*block+40)
	if d := fromBytes(t, a, few); d.Anatomy != fixity.Flipped {
		t.Errorf("40 zeros before a block that is right, and 40 behind it, are %s", d.Anatomy)
	}
	// Several stretches that count are zeroed together.
	if d := fromBytes(t, a, zero(zero(a, 100, 300), block+1000, block+1200)); d.Anatomy != fixity.Zeroed {
		t.Errorf("two stretches of 200 zeros are %s", d.Anatomy)
	}
	// Silence at the beginning doesn't make what became zero behind it longer, nor does it make
	// all of the file zeros.
	silent := zero(a, 0, 100)
	if d := fromBytes(t, silent, zero(silent, 100, 140)); d.Anatomy != fixity.Flipped {
		t.Errorf("40 zeros behind silence are %s", d.Anatomy)
	}
	quiet := join(a[:block], make([]byte, block))
	quiet[block+5] = 9
	if d := fromBytes(t, quiet, zero(quiet, block, 2*block)); d.Anatomy != fixity.Flipped {
		t.Errorf("one byte that became zero, behind a block that is right, is %s", d.Anatomy)
	}
	// Zeros that were there before don't make it longer.
	b := zero(a, 1000, 3000)
	b[2000] = 7
	if d := fromBytes(t, b, zero(b, 2000, 2001)); d.Anatomy != fixity.Flipped {
		t.Errorf("one byte in silence that became zero is %s", d.Anatomy)
	}
}

func TestReadersOfAnyStride(t *testing.T) {
	a := noise(3*block+17, 3)
	b := flip(zero(a, block+5, 2*block+9), 3)
	want := fromBytes(t, a, b)
	for name, wrap := range map[string]func(io.Reader) io.Reader{
		"one byte": iotest.OneByteReader, "half": iotest.HalfReader, "data with the end": iotest.DataErrReader,
	} {
		got, err := damage.FromBytes(context.Background(), wrap(bytes.NewReader(a)), wrap(bytes.NewReader(b)), int64(len(a)), int64(len(b)))
		if err != nil {
			t.Fatal(name, err)
		}
		if diff := cmp.Diff(want, got); diff != "" {
			t.Errorf("%s (-want +got):\n%s", name, diff)
		}
	}
}

func TestReadersThatFail(t *testing.T) {
	a := noise(2*block, 4)
	broken := errors.New("no such luck")
	whole := func() io.Reader { return bytes.NewReader(a) }
	fails := func(at int, err error) io.Reader {
		return io.MultiReader(bytes.NewReader(a[:at]), iotest.ErrReader(err))
	}
	for _, c := range []struct {
		name      string
		want, got io.Reader
		is        error
		says      string
	}{
		{"intact copy", fails(block+1, broken), whole(), broken, "intact copy at byte 65537: "},
		{"file", whole(), fails(0, broken), broken, "file at byte 0: "},
		{"intact copy ends early", bytes.NewReader(a[:7]), whole(), fixity.ErrChanged, "intact copy ends at byte 7 of 131072: "},
		{"file goes on", whole(), bytes.NewReader(join(a, a[:1])), fixity.ErrChanged, "file goes on after byte 131072: "},
		{"a change told at the end", fails(2*block, fixity.ErrChanged), whole(), fixity.ErrChanged, "intact copy at byte 131072: "},
	} {
		t.Run(c.name, func(t *testing.T) {
			d, err := damage.FromBytes(context.Background(), c.want, c.got, 2*block, 2*block)
			if !errors.Is(err, c.is) || !strings.HasPrefix(err.Error(), c.says) {
				t.Errorf("error %v", err)
			}
			if diff := cmp.Diff(damage.Damage{}, d); diff != "" {
				t.Errorf("damage with an error: %s", diff)
			}
		})
	}
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	if _, err := damage.FromBytes(ctx, whole(), whole(), 2*block, 2*block); !errors.Is(err, context.Canceled) {
		t.Errorf("cancelled: %v", err)
	}
}

// The baseline is the plain comparison that a caller would write without ranges.
func BenchmarkFromBytes(b *testing.B) {
	a := noise(64*block, 5)
	worse := inverted(a)
	run := func(name string, got []byte, f func(x, y io.Reader)) {
		b.Run(name, func(b *testing.B) {
			b.SetBytes(int64(len(a)))
			for b.Loop() {
				f(bytes.NewReader(a), bytes.NewReader(got))
			}
		})
	}
	ours := func(x, y io.Reader) {
		if _, err := damage.FromBytes(context.Background(), x, y, int64(len(a)), int64(len(a))); err != nil {
			b.Fatal(err)
		}
	}
	run("baseline", a, func(x, y io.Reader) {
		p, q := make([]byte, block), make([]byte, block)
		for {
			n, err := io.ReadFull(x, p)
			m, _ := io.ReadFull(y, q)
			if !bytes.Equal(p[:n], q[:m]) {
				b.Fatal("they differ")
			}
			if err != nil {
				return
			}
		}
	})
	run("equal", a, ours)
	run("one flip", flip(a, 99999), ours)
	run("all differs", worse, ours)
}
