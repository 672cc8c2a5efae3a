package mlog_test

import (
	"bytes"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"
	"github.com/google/go-cmp/cmp/cmpopts"

	"firmus/fixity/ledger/mlog"
)

// prove signs a checkpoint of m and makes the proof of one record.
func prove(t *testing.T, m *memory, index int64) (mlog.Proof, string) {
	t.Helper()
	signer, _, vkey := key(t, "qv")
	c := mlog.Checkpoint{Origin: "qv", Size: m.size(), Root: m.root(t, m.size())}
	cp, err := mlog.Sign(c, signer)
	if err != nil {
		t.Fatal(err)
	}
	p, err := mlog.Prove(index, m.leaves[index], cp, m)
	if err != nil {
		t.Fatal(err)
	}
	return p, vkey
}

// Each record of each log can be proved to a stranger, who has the text and the key.
func TestProofs(t *testing.T) {
	for n := 1; n <= 20; n++ {
		m := logOf(t, n)
		for i := range n {
			p, vkey := prove(t, m, int64(i))
			got, err := mlog.Unmarshal(p.Marshal())
			if err != nil {
				t.Fatal(err)
			}
			if d := cmp.Diff(p, got, cmpopts.EquateEmpty()); d != "" {
				t.Fatalf("written and read, -want +got:\n%s", d)
			}
			c, err := got.Verify(vkey)
			if err != nil || c.Size != int64(n) || c.Root != m.root(t, int64(n)) {
				t.Fatalf("record %d of %d: Verify = %v, %v", i, n, c, err)
			}
		}
	}
}

// Bounds of a proof: a record that the log has, and a text that is written in one way.
func TestProofBounds(t *testing.T) {
	m := logOf(t, 5)
	p, vkey := prove(t, m, 4)
	for _, index := range []int64{-1, 5, 6} {
		p := p
		p.Index = index
		if _, err := p.Verify(vkey); !errors.Is(err, mlog.ErrProof) || !strings.Contains(err.Error(), "the checkpoint has 5 records") {
			t.Errorf("record %d: %v", index, err)
		}
		if _, err := mlog.Prove(index, p.Leaf, p.Checkpoint, m); !errors.Is(err, mlog.ErrProof) || !strings.Contains(err.Error(), "the checkpoint has 5 records") {
			t.Errorf("proof of record %d: %v", index, err)
		}
	}
	text := string(p.Marshal())
	head, rest, _ := strings.Cut(text, "\n\n")
	lines := strings.Split(head, "\n")
	leaf, hash := lines[2], lines[3]
	with := func(lines ...string) string { return strings.Join(lines, "\n") + "\n\n" + rest }
	const first = "firmus record proof"
	for name, c := range map[string]struct {
		text string
		ok   bool
	}{
		"as written":              {text, true},
		"no hash":                 {with(first, "index 4", leaf), true},
		"no leaf":                 {with(first, "index 4"), false},
		"nothing but its head":    {with(first), false},
		"63 hashes":               {with(append([]string{first, "index 4", leaf}, slices.Repeat([]string{hash}, 63)...)...), true},
		"64 hashes":               {with(append([]string{first, "index 4", leaf}, slices.Repeat([]string{hash}, 64)...)...), false},
		"the largest index":       {with(first, "index 9223372036854775807", leaf), true},
		"an index past it":        {with(first, "index 9223372036854775808", leaf), false},
		"the first":               {with(first, "index 0", leaf), true},
		"less than nothing":       {with(first, "index -1", leaf), false},
		"a leading zero":          {with(first, "index 04", leaf), false},
		"an index that is none":   {with(first, "index x", leaf), false},
		"an index without a name": {with(first, "4", leaf), false},
		"a leaf without a name":   {with(first, "index 4", strings.TrimPrefix(leaf, "leaf ")), false},
		"a leaf with idle bits":   {with(first, "index 4", "leaf AB=="), false},
		"a leaf that is none":     {with(first, "index 4", "leaf A"), false},
		"a hash without a name":   {with(first, "index 4", leaf, strings.TrimPrefix(hash, "hash ")), false},
		"a short hash":            {with(first, "index 4", leaf, hash[:len(hash)-4]), false},
	} {
		if _, err := mlog.Unmarshal([]byte(c.text)); (err == nil) != c.ok || err != nil && !errors.Is(err, mlog.ErrProof) {
			t.Errorf("%s: %v", name, err)
		}
	}
	for over, says := range map[int]string{0: "doesn't begin", 1: "longer than 16 MiB"} {
		if _, err := mlog.Unmarshal(make([]byte, 16<<20+over)); err == nil || !strings.Contains(err.Error(), says) {
			t.Errorf("16 MiB and %d bytes: %v", over, err)
		}
	}
}

// A proof is made against an earlier checkpoint from the hashes of the log as it is now.
func TestProofOfGrownLog(t *testing.T) {
	signer, _, vkey := key(t, "qv")
	m := logOf(t, 50)
	cp, err := mlog.Sign(mlog.Checkpoint{Origin: "qv", Size: 23, Root: m.root(t, 23)}, signer)
	if err != nil {
		t.Fatal(err)
	}
	p, err := mlog.Prove(22, m.leaves[22], cp, m)
	if err != nil {
		t.Fatal(err)
	}
	if _, err := p.Verify(vkey); err != nil {
		t.Error(err)
	}
	if _, err := mlog.Prove(23, m.leaves[23], cp, m); !errors.Is(err, mlog.ErrProof) {
		t.Errorf("a record after the checkpoint: error = %v", err)
	}
	if _, err := mlog.Prove(22, m.leaves[21], cp, m); !errors.Is(err, mlog.ErrProof) {
		t.Errorf("another record: error = %v", err)
	}
	if _, err := mlog.Prove(22, m.leaves[22], cp, broken{}); !errors.Is(err, errBroken) || errors.Is(err, mlog.ErrProof) {
		t.Errorf("hashes that can't be read: error = %v", err)
	}
}

// Whatever byte of the proof is changed, it proves nothing.
func TestProofMutations(t *testing.T) {
	p, vkey := prove(t, logOf(t, 13), 6)
	text := p.Marshal()
	for k := range text {
		for _, flip := range []byte{1, 2, 4, 8, 16, 32, 64, 128} {
			other := bytes.Clone(text)
			other[k] ^= flip
			q, err := mlog.Unmarshal(other)
			if err == nil {
				_, err = q.Verify(vkey)
			}
			if err == nil {
				t.Errorf("byte %d, %q for %q: still proves", k, other[k], text[k])
			}
		}
		if q, err := mlog.Unmarshal(text[:k]); err == nil {
			if _, err = q.Verify(vkey); err == nil {
				t.Errorf("cut at %d: still proves", k)
			}
		}
	}
	_, _, stranger := key(t, "qv")
	if _, err := p.Verify(stranger); !errors.Is(err, mlog.ErrUnsigned) {
		t.Errorf("another log's key: error = %v", err)
	}
	if _, err := p.Verify("nonsense"); err == nil {
		t.Error("a key that is none was taken")
	}
}

func ExampleProof_Marshal() {
	p := mlog.Proof{Index: 4, Leaf: []byte(`{"verb":"taken-in"}`), Checkpoint: []byte("the signed checkpoint\n")}
	fmt.Printf("%s", p.Marshal())
	// Output:
	// firmus record proof
	// index 4
	// leaf eyJ2ZXJiIjoidGFrZW4taW4ifQ==
	//
	// the signed checkpoint
}

func FuzzUnmarshal(f *testing.F) {
	f.Add([]byte("firmus record proof\nindex 4\nleaf eA==\nhash 47DEQpj8HBSa+/TImW+5JCeuQeRkm5NMpJWZG3hSuFU=\n\ncheckpoint"))
	f.Add([]byte("firmus record proof\nindex 0\nleaf \n\n"))
	f.Fuzz(func(t *testing.T, text []byte) {
		p, err := mlog.Unmarshal(text)
		if err != nil {
			if !cmp.Equal(p, mlog.Proof{}) {
				t.Errorf("%v given with error %v", p, err)
			}
			return
		}
		if again := p.Marshal(); !bytes.Equal(again, text) {
			t.Errorf("%q was read and written as %q", text, again)
		}
	})
}
