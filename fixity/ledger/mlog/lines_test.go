package mlog_test

import (
	"crypto/sha256"
	"fmt"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity/ledger/mlog"
)

// Lines, which keeps little, agrees with the stored tree, which keeps everything.
func TestLines(t *testing.T) {
	m, l := &memory{}, &mlog.Lines{}
	for n := range int64(201) {
		if got, want := l.Root(), m.root(t, n); got != want {
			t.Fatalf("root of %d lines = %v, want %v", n, got, want)
		}
		if l.Len() != n {
			t.Fatalf("Len = %d, want %d", l.Len(), n)
		}
		line := fmt.Appendf(nil, "%d\tQV-0107/QV-0107_A.wav\tintact\n", n)
		m.add(t, line)
		l.Add(line)
	}
}

// The definition in RFC 6962, section 2.1, written out: a leaf is hashed behind a
// byte 0, a node behind a byte 1, and a tree is cut at the largest power of two
// below its size.
func TestRootByHand(t *testing.T) {
	var mth func(lines []string) [32]byte
	mth = func(lines []string) [32]byte {
		switch len(lines) {
		case 0:
			return sha256.Sum256(nil)
		case 1:
			return sha256.Sum256([]byte("\x00" + lines[0]))
		}
		k := 1
		for 2*k < len(lines) {
			k *= 2
		}
		left, right := mth(lines[:k]), mth(lines[k:])
		return sha256.Sum256(append(append([]byte{1}, left[:]...), right[:]...))
	}
	var lines []string
	l := &mlog.Lines{}
	for n := range 67 {
		if got, want := l.Root(), tlog.Hash(mth(lines)); got != want {
			t.Fatalf("root of %d lines = %v, want %v", n, got, want)
		}
		lines = append(lines, fmt.Sprint("line ", n))
		l.Add([]byte(lines[n]))
	}
}

func TestLinesTellChanges(t *testing.T) {
	root := func(lines ...string) tlog.Hash {
		l := &mlog.Lines{}
		for _, s := range lines {
			l.Add([]byte(s))
		}
		return l.Root()
	}
	whole := root("a", "b", "c", "d", "e")
	for name, other := range map[string]tlog.Hash{
		"changed": root("a", "b", "C", "d", "e"),
		"swapped": root("b", "a", "c", "d", "e"),
		"cut":     root("a", "b", "c", "d"),
		"joined":  root("ab", "c", "d", "e"),
		"longer":  root("a", "b", "c", "d", "e", ""),
	} {
		if other == whole {
			t.Errorf("%s: the root is the same", name)
		}
	}
}

// Adding lines must not grow memory with their number.
func TestLinesHoldLittle(t *testing.T) {
	l := &mlog.Lines{}
	line := []byte("QV-0107/QV-0107_A.wav")
	for range 1 << 12 {
		l.Add(line)
	}
	allocs := testing.AllocsPerRun(1<<12, func() { l.Add(line) })
	if allocs > 0.1 {
		t.Errorf("%v allocations a line", allocs)
	}
}
