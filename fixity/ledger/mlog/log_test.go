package mlog_test

import (
	"errors"
	"fmt"
	"testing"

	"golang.org/x/mod/sumdb/note"
	"golang.org/x/mod/sumdb/tlog"

	"firmus/fixity/ledger/mlog"
)

// memory is a log as a ledger would keep it.
type memory struct {
	leaves [][]byte
	hashes []tlog.Hash
}

func (m *memory) ReadHashes(at []int64) ([]tlog.Hash, error) {
	out := make([]tlog.Hash, len(at))
	for i, n := range at {
		if n < 0 || n >= int64(len(m.hashes)) {
			return nil, fmt.Errorf("hash %d is not stored", n)
		}
		out[i] = m.hashes[n]
	}
	return out, nil
}

func (m *memory) size() int64 { return int64(len(m.leaves)) }

func (m *memory) add(t testing.TB, leaf []byte) {
	t.Helper()
	add, err := mlog.Append(m.size(), leaf, m)
	if err != nil {
		t.Fatal(err)
	}
	if at := tlog.StoredHashIndex(0, m.size()); at != int64(len(m.hashes)) {
		t.Fatalf("record %d: hashes are to go to %d, and %d are stored", m.size(), at, len(m.hashes))
	}
	m.leaves = append(m.leaves, leaf)
	m.hashes = append(m.hashes, add...)
}

func (m *memory) root(t testing.TB, size int64) tlog.Hash {
	t.Helper()
	h, err := mlog.Root(size, m)
	if err != nil {
		t.Fatal(err)
	}
	return h
}

// logOf makes a log of n invented records.
func logOf(t testing.TB, n int) *memory {
	t.Helper()
	m := &memory{}
	for i := range n {
		m.add(t, fmt.Appendf(nil, `{"n":%d,"verb":"audited","item":"QV-%04d"}`, i, i%170))
	}
	return m
}

// again makes the log anew from leaves, as somebody who rewrites it would.
func again(t testing.TB, leaves [][]byte) *memory {
	t.Helper()
	m := &memory{}
	for _, leaf := range leaves {
		m.add(t, leaf)
	}
	return m
}

// wantErr fails unless err wraps want, or is nil where want is.
func wantErr(t testing.TB, err, want error) {
	t.Helper()
	if !errors.Is(err, want) {
		t.Errorf("error = %v, want %v", err, want)
	}
}

// key makes a key of a log called origin.
func key(t testing.TB, origin string) (note.Signer, note.Verifiers, string) {
	t.Helper()
	skey, vkey, err := mlog.NewKey(origin)
	if err != nil {
		t.Fatal(err)
	}
	s, err := note.NewSigner(skey)
	if err != nil {
		t.Fatal(err)
	}
	v, err := note.NewVerifier(vkey)
	if err != nil {
		t.Fatal(err)
	}
	return s, note.VerifierList(v), vkey
}
