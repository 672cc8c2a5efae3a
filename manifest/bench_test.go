package manifest_test

import (
	"bufio"
	"bytes"
	"fmt"
	"io"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/manifest"
)

const benchLines = 10_000

func benchText() string {
	var b strings.Builder
	for i := range benchLines {
		fmt.Fprintf(&b, "%s  QV-%04d/QV-%04d_A.wav\n", s256(fmt.Sprint(i)), i, i)
	}
	return b.String()
}

// BenchmarkRead has a baseline beside it: the same bytes split into lines by the
// standard library and not looked at.
func BenchmarkRead(b *testing.B) {
	text := benchText()
	b.Run("lines", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		for b.Loop() {
			n := 0
			for _, err := range manifest.Read(strings.NewReader(text), manifest.ReadOptions{Algorithm: fixity.SHA256}) {
				if err != nil {
					b.Fatal(err)
				}
				n++
			}
			if n != benchLines {
				b.Fatal(n)
			}
		}
	})
	b.Run("baseline", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		for b.Loop() {
			n := 0
			for s := bufio.NewScanner(strings.NewReader(text)); s.Scan(); n++ {
			}
			if n != benchLines {
				b.Fatal(n)
			}
		}
	})
}

// BenchmarkWrite has a baseline beside it: the same bytes copied.
func BenchmarkWrite(b *testing.B) {
	text := benchText()
	var paths []string
	var sums []fixity.Digest
	for l, err := range manifest.Read(strings.NewReader(text), manifest.ReadOptions{Algorithm: fixity.SHA256}) {
		if err != nil {
			b.Fatal(err)
		}
		paths, sums = append(paths, l.Path), append(sums, l.Digest)
	}
	b.Run("lines", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		for b.Loop() {
			w := manifest.NewWriter(io.Discard, fixity.SHA256)
			for i, p := range paths {
				if err := w.Add(p, sums[i]); err != nil {
					b.Fatal(err)
				}
			}
			if _, err := w.Finish(); err != nil {
				b.Fatal(err)
			}
		}
	})
	b.Run("baseline", func(b *testing.B) {
		b.SetBytes(int64(len(text)))
		var to bytes.Buffer
		for b.Loop() {
			to.Reset()
			if _, err := io.Copy(&to, strings.NewReader(text)); err != nil {
				b.Fatal(err)
			}
		}
	})
}
