package blake3_test

import (
	"bytes"
	"fmt"
	"math/rand/v2"
	"testing"

	other "github.com/zeebo/blake3"

	"firmus/fixity/digest/blake3"
)

func noise(n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{3}).Read(b)
	return b
}

// sizes are those at which the tree has another form, or the code takes another way.
func sizes() (out []int) {
	for n := range 3 * blake3.Chunk {
		if n < 200 || n%61 == 0 {
			out = append(out, n)
		}
	}
	for _, k := range []int{1, 2, 3, 4, 5, 7, 8, 9, 15, 16, 17, 31, 32, 33, 63, 64, 65, 100, 240, 241, 255, 256, 257, 271, 272, 273, 511, 512, 513, 768, 1024, 1281, 2048, 2065} {
		n := k * blake3.Chunk
		out = append(out, n-1, n, n+1, n+64, n+1023)
	}
	return out
}

// onEach runs a test with the processor's own registers, and with the libraries alone.
func onEach(t *testing.T, test func(*testing.T)) {
	t.Run("wide", test)
	t.Run("narrow", func(t *testing.T) { blake3.Narrow(func() { test(t) }) })
}

// TestSameAsOther: an independent implementation gives the same hash, however the bytes come.
func TestSameAsOther(t *testing.T) {
	onEach(t, func(t *testing.T) {
		data := noise(2100 * blake3.Chunk)
		for _, n := range sizes() {
			want := other.Sum256(data[:n])
			for _, piece := range []int{n, 1 << 20, 256<<10 - 44, 16 << 10, 16<<10 + 1, 1000, 64} {
				if piece == 0 || n/piece > 300 {
					continue
				}
				h := blake3.New()
				for at := 0; at < n; at += piece {
					h.Write(data[at:min(at+piece, n)])
					if at%7 == 0 && !bytes.Equal(h.Sum(nil), sum(data[:min(at+piece, n)])) {
						t.Fatalf("%d bytes of %d, in pieces of %d: another hash", min(at+piece, n), n, piece)
					}
				}
				if got := h.Sum([]byte{9}); got[0] != 9 || !bytes.Equal(got[1:], want[:]) {
					t.Fatalf("%d bytes in pieces of %d: another hash", n, piece)
				}
				blake3.End(h)
			}
		}
	})
}

func sum(b []byte) []byte {
	s := other.Sum256(b)
	return s[:]
}

// TestNodes: subtrees of each length that they may have, joined, are the hash of all.
func TestNodes(t *testing.T) {
	onEach(t, func(t *testing.T) {
		data := noise(2100*blake3.Chunk + 256<<10)
		for _, length := range []int{16 << 10, 32 << 10, 64 << 10, 128 << 10, 256 << 10} {
			for _, n := range sizes() {
				if n == 0 {
					continue
				}
				var tree blake3.Tree
				at := 0
				for ; at+length < n; at += length {
					tree.Push(blake3.Value(blake3.NodeOf(data[at:at+length], length, uint64(at/blake3.Chunk))))
				}
				if got := tree.Root(blake3.NodeOf(data[at:at+length], n-at, uint64(at/blake3.Chunk))); !bytes.Equal(got, sum(data[:n])) {
					t.Fatalf("%d bytes in subtrees of %d: another hash", n, length)
				}
			}
		}
	})
}

// A chunk's number has 64 bits: the upper half counts, too, in streams of terabytes.
func TestFarChunks(t *testing.T) {
	data := noise(64 << 10)
	for _, chunk := range []uint64{0, 64, 1<<32 - 64, 1 << 32, 1<<32 + 64, 5 << 40} {
		far := blake3.Value(blake3.NodeOf(data, len(data), chunk))
		blake3.Narrow(func() {
			if far != blake3.Value(blake3.NodeOf(data, len(data), chunk)) {
				t.Errorf("chunk %d: another value", chunk)
			}
		})
	}
}

func BenchmarkHash(b *testing.B) {
	for _, n := range []int{300, 4 << 10, 64 << 10, 256 << 10, 1 << 20} {
		data := noise(n)
		hash := func(b *testing.B) {
			b.SetBytes(int64(n))
			for b.Loop() {
				h := blake3.New()
				h.Write(data)
				h.Sum(nil)
				blake3.End(h)
			}
		}
		b.Run(fmt.Sprintf("wide/%d", n), hash)
		blake3.Narrow(func() { b.Run(fmt.Sprintf("narrow/%d", n), hash) })
	}
	data := noise(64 << 10)
	node := func(b *testing.B) {
		b.SetBytes(int64(len(data)))
		for b.Loop() {
			blake3.NodeOf(data, len(data), 0)
		}
	}
	b.Run("wide/node", node)
	blake3.Narrow(func() { b.Run("narrow/node", node) })
}
