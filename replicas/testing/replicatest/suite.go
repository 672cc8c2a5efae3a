// Package replicatest is the contract that every kind of store must pass: what
// an audit relies on, and nothing about how a kind does it.
package replicatest

import (
	"context"
	"io"
	"iter"
	"maps"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
)

// Store is what is tested.
type Store interface {
	Identify(ctx context.Context) (fixity.Identity, error)
	Shards(ctx context.Context) ([]string, error)
	List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error]
	Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error)
}

// Fixture is a store and what can be done to it behind its back. A func that is
// nil can't be done to this kind of store; its tests are skipped.
type Fixture struct {
	Store Store
	// Write puts a file at path, new or changed; a change must show in what the
	// medium keeps of a file, as a later time would.
	Write  func(t *testing.T, path, data string)
	Remove func(t *testing.T, path string)
	// Link puts a link at path that leads to the file or folder target of the
	// same store; Special puts something there that isn't a file, folder or link.
	Link    func(t *testing.T, path, target string)
	Special func(t *testing.T, path string)
	// Hide makes the store one that can't be reached.
	Hide func(t *testing.T)
	// Deny makes what lies in a folder impossible to see.
	Deny func(t *testing.T, folder string)
}

// Harness makes stores of one kind.
type Harness struct {
	// New makes a store that holds files (by slash path) and nothing else.
	New func(t *testing.T, files map[string]string) Fixture
	// Holds says whether the medium can hold a file of that name, beside those of
	// OddNames that come before it; nil is all of them.
	Holds func(name string) bool
}

// Run tests the contract.
func Run(t *testing.T, h Harness) {
	for _, c := range []struct {
		name string
		test func(*testing.T, Harness)
	}{
		{"empty root", emptyRoot},
		{"sorted walk", sortedWalk},
		{"odd names", oddNames},
		{"shards", shards},
		{"walk stopped early", stoppedWalk},
		{"whole reads", wholeReads},
		{"offset reads", offsetReads},
		{"missing is not away", missingIsNotAway},
		{"away is not missing", awayIsNotMissing},
		{"changed before it is read", changedBefore},
		{"changed while it is read", changedDuring},
		{"vanished before it is read", vanishedBefore},
		{"cancelled", cancelled},
		{"closed", closed},
		{"links", links},
		{"special files", specialFiles},
		{"incomplete listing", incompleteListing},
	} {
		t.Run(c.name, func(t *testing.T) { c.test(t, h) })
	}
}

// All is every entry of s, by shard as Shards gives them. It fails the test for
// what a listing may never do: not be in byte order, show a path twice, or one
// of another shard. The error is that of the first listing that had one.
func All(t *testing.T, s Store) ([]fixity.Entry, error) {
	t.Helper()
	ctx := context.Background()
	names, err := s.Shards(ctx)
	if err != nil {
		return nil, err
	}
	if len(names) == 0 || names[0] != "" || !slices.IsSorted(names) {
		t.Errorf("shards %q: not in byte order with %q first", names, "")
	}
	var all []fixity.Entry
	var first error
	seen := map[string]bool{}
	for _, name := range names {
		last := ""
		for e, err := range s.List(ctx, name) {
			if err != nil {
				if first == nil {
					first = err
				}
				break
			}
			if e.Path <= last {
				t.Errorf("shard %q: %q comes after %q", name, e.Path, last)
			}
			if name != "" && !strings.HasPrefix(e.Path, name+"/") {
				t.Errorf("shard %q shows %q", name, e.Path)
			}
			if seen[e.Path] {
				t.Errorf("%q is shown twice", e.Path)
			}
			last, seen[e.Path] = e.Path, true
			all = append(all, e)
		}
	}
	return all, first
}

// want fails the test unless s shows exactly files, each with its size.
func want(t *testing.T, s Store, files map[string]string) map[string]fixity.Entry {
	t.Helper()
	all, err := All(t, s)
	if err != nil {
		t.Fatal(err)
	}
	got := map[string]fixity.Entry{}
	for _, e := range all {
		got[e.Path] = e
		data, ok := files[e.Path]
		if !ok {
			t.Errorf("%q is shown and isn't there", e.Path)
		} else if e.Type != fixity.File || e.Size != int64(len(data)) {
			t.Errorf("%q: type %v, %d bytes, want a file of %d", e.Path, e.Type, e.Size, len(data))
		}
	}
	for _, path := range slices.Sorted(maps.Keys(files)) {
		if _, ok := got[path]; !ok {
			t.Errorf("%q is not shown", path)
		}
	}
	return got
}

// one is the entry of the only file that a store shows.
func one(t *testing.T, s Store) fixity.Entry {
	t.Helper()
	all, err := All(t, s)
	if err != nil {
		t.Fatal(err)
	}
	if len(all) != 1 {
		t.Fatalf("%d entries, want one: %v", len(all), all)
	}
	return all[0]
}

// read is all that a Reader from offset on gives, and the error it ends with.
func read(s Store, e fixity.Entry, offset int64) (string, error) {
	r, err := s.Open(context.Background(), e, offset)
	if err != nil {
		return "", err
	}
	b, err := io.ReadAll(r)
	if cerr := r.Close(); err == nil {
		err = cerr
	}
	return string(b), err
}

// noise is n bytes without a pattern that a block has.
func noise(n int) string {
	b := make([]byte, n)
	x := uint32(2463534242)
	for i := range b { // xorshift
		x ^= x << 13
		x ^= x >> 17
		x ^= x << 5
		b[i] = byte(x)
	}
	return string(b)
}

// needs skips a test of what this kind of store can't have done to it.
func needs(t *testing.T, can bool, what string) {
	t.Helper()
	if !can {
		t.Skipf("nothing can be %s on this kind of store here", what)
	}
}
