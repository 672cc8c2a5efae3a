package replicatest

import (
	"context"
	"errors"
	"io"
	"slices"
	"testing"
	"testing/iotest"

	"firmus/fixity"
)

// sizes are at and beside the borders of blocks and buffers.
var sizes = []int{0, 1, 511, 512, 4095, 4096, 4097, 65535, 65536, 65537, 1<<20 + 1}

func wholeReads(t *testing.T, h Harness) {
	for _, n := range sizes {
		data := noise(n)
		s := h.New(t, map[string]string{"QV-0107/a.wav": data}).Store
		e := one(t, s)
		r, err := s.Open(context.Background(), e, 0)
		if err != nil {
			t.Fatal(err)
		}
		if n <= 65537 {
			// Reads of many sizes, of none, and again at the end.
			if err := iotest.TestReader(r, []byte(data)); err != nil {
				t.Errorf("%d bytes: %v", n, err)
			}
		} else if got, err := io.ReadAll(r); err != nil || string(got) != data {
			t.Errorf("%d bytes: other bytes, %v", n, err)
		}
		if c := r.Cache(); !slices.Contains([]fixity.Cache{fixity.Bypassed, fixity.Dropped, fixity.Unknown, fixity.Allowed}, c) {
			t.Errorf("%d bytes: the page cache was treated as %q", n, c)
		}
		if err := r.Close(); err != nil {
			t.Errorf("%d bytes: %v", n, err)
		}
	}
}

func offsetReads(t *testing.T, h Harness) {
	const n = 200_000
	data := noise(n)
	s := h.New(t, map[string]string{"a.wav": data}).Store
	e := one(t, s)
	for _, offset := range []int64{0, 1, 4095, 4096, 65536, 65537, n - 1, n, n + 1, n + 4096} {
		got, err := read(s, e, offset)
		if err != nil || got != data[min(offset, n):] {
			t.Errorf("offset %d: %d bytes, %v; want the last %d", offset, len(got), err, max(n-offset, 0))
		}
	}
	if r, err := s.Open(context.Background(), e, -1); err == nil {
		r.Close()
		t.Error("offset -1 was opened")
	}
}

// mustNotEnd reads r and wants an error that wraps ErrChanged, never the end.
func mustNotEnd(t *testing.T, s Store, e fixity.Entry) {
	t.Helper()
	got, err := read(s, e, 0)
	if !errors.Is(err, fixity.ErrChanged) || errors.Is(err, fixity.ErrVanished) {
		t.Errorf("%d bytes, then %v; want that it changed", len(got), err)
	}
}

func changedBefore(t *testing.T, h Harness) {
	for name, data := range map[string]string{"same size": "after!", "longer": "after, longer", "shorter": "a", "empty": ""} {
		t.Run(name, func(t *testing.T) {
			f := h.New(t, map[string]string{"a.wav": "before"})
			needs(t, f.Write != nil, "changed")
			e := one(t, f.Store)
			f.Write(t, "a.wav", data)
			mustNotEnd(t, f.Store, e)
			if got, err := read(f.Store, one(t, f.Store), 0); err != nil || got != data {
				t.Errorf("listed again: %q, %v, want %q", got, err, data)
			}
		})
	}
}

func changedDuring(t *testing.T, h Harness) {
	const n = 3 << 20 // more than a reader may have taken in advance
	for name, after := range map[string]int{"same size": n, "longer": n + 70_000, "shorter": n - 70_000, "empty": 0} {
		t.Run(name, func(t *testing.T) {
			f := h.New(t, map[string]string{"a.wav": noise(n)})
			needs(t, f.Write != nil, "changed")
			r, err := f.Store.Open(context.Background(), one(t, f.Store), 0)
			if err != nil {
				t.Fatal(err)
			}
			defer r.Close()
			if _, err := io.ReadFull(r, make([]byte, 1000)); err != nil {
				t.Fatal(err)
			}
			f.Write(t, "a.wav", "x"+noise(n + 70_000)[:max(after, 1)-1])
			if _, err := io.Copy(io.Discard, r); !errors.Is(err, fixity.ErrChanged) {
				t.Errorf("%v, want that it changed", err)
			}
		})
	}
}

func vanishedBefore(t *testing.T, h Harness) {
	f := h.New(t, map[string]string{"QV-0107/a.wav": "1"})
	needs(t, f.Remove != nil, "removed")
	e := one(t, f.Store)
	f.Remove(t, e.Path)
	if _, err := read(f.Store, e, 0); !errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrAway) {
		t.Errorf("%v, want vanished and nothing else", err)
	}
	want(t, f.Store, nil)
}

func cancelled(t *testing.T, h Harness) {
	s := h.New(t, map[string]string{"QV-0107/a.wav": noise(1 << 20), "b.wav": "2"}).Store
	all, err := All(t, s)
	if err != nil || len(all) != 2 {
		t.Fatal(all, err)
	}
	why := errors.New("the day is over")
	ctx, cancel := context.WithCancelCause(context.Background())
	r, err := s.Open(ctx, all[1], 0)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	if _, err := r.Read(make([]byte, 10)); err != nil {
		t.Fatal(err)
	}
	cancel(why)
	if _, err := io.Copy(io.Discard, r); !errors.Is(err, why) && !errors.Is(err, context.Canceled) {
		t.Errorf("reading on: %v, want the cause of the context", err)
	}
	_, identify := s.Identify(ctx)
	_, shards := s.Shards(ctx)
	_, open := s.Open(ctx, all[0], 0)
	var list error
	for _, err := range s.List(ctx, "") {
		list = err
	}
	for name, err := range map[string]error{"Identify": identify, "Shards": shards, "Open": open, "List": list} {
		if !errors.Is(err, why) && !errors.Is(err, context.Canceled) {
			t.Errorf("%s: %v, want the cause of the context", name, err)
		}
		if errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrVanished) {
			t.Errorf("%s: %v says more than that it was cancelled", name, err)
		}
	}
}

func closed(t *testing.T, h Harness) {
	s := h.New(t, map[string]string{"a.wav": "1"}).Store
	r, err := s.Open(context.Background(), one(t, s), 0)
	if err != nil {
		t.Fatal(err)
	}
	if err := r.Close(); err != nil {
		t.Fatal(err)
	}
	if n, err := r.Read(make([]byte, 10)); n != 0 || err == nil || err == io.EOF {
		t.Errorf("a closed Reader gives %d bytes, %v", n, err)
	}
}
