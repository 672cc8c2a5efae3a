package mlog_test

import (
	"bytes"
	"encoding/hex"
	"errors"
	"slices"
	"testing"

	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity/ledger/mlog"
)

// The leaves and roots with which implementations of RFC 6962 compare themselves,
// from the reference test data of Certificate Transparency's Merkle tree. They are
// written here from memory; that two implementations agree on them (TestLines, and
// the hashing by hand in TestRootByHand) is what shows that memory right.
var (
	referenceLeaves = []string{
		"", "00", "10", "2021", "3031", "40414243", "5051525354555657", "606162636465666768696a6b6c6d6e6f",
	}
	referenceRoots = []string{
		"e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
		"6e340b9cffb37a989ca544e6bb780a2c78901d3fb33738768511a30617afa01d",
		"fac54203e7cc696cf0dfcb42c92a1d9dbaf70ad9e621f4bd8d98662f00e3c125",
		"aeb6bcfe274b70a14fb067a5e5578264db0fa9b51af5e0ba159158f329e06e77",
		"d37ee418976dd95753c1c73862b9398fa2a2cf9b4ff0fdfe8b30cd95209614b7",
		"4e3bbb1f7b478dcfe71fb631631519a3bca12c9aefca1612bfce4c13a86264d4",
		"76e67dadbcdf1e10e1b74ddc608abd2f98dfb16fbce75277b5232a127f2087ef",
		"ddb89be403809e325750d3d263cd78929c2942b7942a34b77e122c9594a74c8c",
		"5dc9da79a70659a9ad559cb701ded9a2ab9d823aad2f4960cfe370eff4604328",
	}
)

func TestReferenceTree(t *testing.T) {
	m, l := &memory{}, &mlog.Lines{}
	for n := range referenceRoots {
		if n > 0 {
			leaf, err := hex.DecodeString(referenceLeaves[n-1])
			if err != nil {
				t.Fatal(err)
			}
			m.add(t, leaf)
			l.Add(leaf)
		}
		log, lines := m.root(t, int64(n)), l.Root()
		if got := hex.EncodeToString(log[:]); got != referenceRoots[n] {
			t.Errorf("root of %d records = %s, want %s", n, got, referenceRoots[n])
		}
		if got := hex.EncodeToString(lines[:]); got != referenceRoots[n] {
			t.Errorf("root of %d lines = %s, want %s", n, got, referenceRoots[n])
		}
	}
}

func TestCheckExtends(t *testing.T) {
	const n, then = 37, 21
	old := mlog.Checkpoint{Origin: "qv", Size: then, Root: logOf(t, n).root(t, then)}
	changed := func(f func(leaves [][]byte) [][]byte) *memory {
		return again(t, f(slices.Clone(logOf(t, n).leaves)))
	}
	cases := []struct {
		name string
		log  *memory
		want error
	}{
		{"untouched", logOf(t, n), nil},
		{"no longer than it was", logOf(t, then), nil},
		{"grown", logOf(t, 3*n), nil},
		{"a later record changed", changed(func(l [][]byte) [][]byte { l[then] = []byte("x"); return l }), nil},
		{"a byte changed", changed(func(l [][]byte) [][]byte { l[7] = bytes.ToUpper(l[7]); return l }), mlog.ErrRewritten},
		{"first record changed", changed(func(l [][]byte) [][]byte { l[0] = nil; return l }), mlog.ErrRewritten},
		{"last known record changed", changed(func(l [][]byte) [][]byte { l[then-1] = nil; return l }), mlog.ErrRewritten},
		{"two swapped", changed(func(l [][]byte) [][]byte { l[3], l[4] = l[4], l[3]; return l }), mlog.ErrRewritten},
		{"one left out", changed(func(l [][]byte) [][]byte { return slices.Delete(l, 5, 6) }), mlog.ErrRewritten},
		{"one put in", changed(func(l [][]byte) [][]byte { return slices.Insert(l, 5, []byte("x")) }), mlog.ErrRewritten},
		{"last known record removed", changed(func(l [][]byte) [][]byte { return l[:then-1] }), mlog.ErrRewritten},
		{"emptied", &memory{}, mlog.ErrRewritten},
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			wantErr(t, mlog.CheckExtends(old, c.log.size(), c.log), c.want)
		})
	}
	t.Run("every size of every log", func(t *testing.T) {
		m := logOf(t, 70)
		for size := range int64(71) {
			for then := range size + 1 {
				old := mlog.Checkpoint{Origin: "qv", Size: then, Root: m.root(t, then)}
				if err := mlog.CheckExtends(old, size, m); err != nil {
					t.Fatalf("%d records against %d: %v", size, then, err)
				}
			}
		}
	})
	t.Run("hashes can't be read", func(t *testing.T) {
		err := mlog.CheckExtends(old, n, broken{})
		if wantErr(t, err, errBroken); errors.Is(err, mlog.ErrRewritten) {
			t.Errorf("%v: a log that can't be read was called rewritten", err)
		}
	})
	t.Run("a size that hangs", func(t *testing.T) {
		old := mlog.Checkpoint{Origin: "qv", Size: 1<<62 + 1}
		wantErr(t, mlog.CheckExtends(old, 1<<63-1, logOf(t, 1)), mlog.ErrMalformed)
	})
}

func TestCheckRecord(t *testing.T) {
	const n = 40
	m := logOf(t, n)
	for i, leaf := range m.leaves {
		if err := mlog.CheckRecord(int64(i), leaf, m); err != nil {
			t.Errorf("untouched: %v", err)
		}
		for k := range leaf {
			other := bytes.Clone(leaf)
			other[k] ^= 1
			wantErr(t, mlog.CheckRecord(int64(i), other, m), mlog.ErrRewritten)
		}
	}
	if err := mlog.CheckRecord(n, m.leaves[0], m); err == nil || errors.Is(err, mlog.ErrRewritten) {
		t.Errorf("a record that isn't there: error = %v", err)
	}
	// Whichever stored hash is changed, reading the records in turn shows it.
	for k := range m.hashes {
		m.hashes[k][0] ^= 1
		found := false
		for i, leaf := range m.leaves {
			found = found || errors.Is(mlog.CheckRecord(int64(i), leaf, m), mlog.ErrRewritten)
		}
		if !found {
			t.Errorf("hash %d was changed and no record showed it", k)
		}
		m.hashes[k][0] ^= 1
	}
}

func TestAppendRefuses(t *testing.T) {
	for _, size := range []int64{-1, 1 << 62, 1<<63 - 1} {
		if add, err := mlog.Append(size, nil, &memory{}); err == nil || add != nil {
			t.Errorf("append at %d = %v, %v", size, add, err)
		}
		if h, err := mlog.Root(size, &memory{}); err == nil || h != (tlog.Hash{}) {
			t.Errorf("root of %d = %v, %v", size, h, err)
		}
	}
	add, err := mlog.Append(1, nil, broken{})
	if wantErr(t, err, errBroken); add != nil {
		t.Errorf("hashes given with an error: %v", add)
	}
}

var errBroken = errors.New("input/output error")

type broken struct{}

func (broken) ReadHashes([]int64) ([]tlog.Hash, error) { return nil, errBroken }
