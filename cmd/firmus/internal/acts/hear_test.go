package acts_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"os"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
)

// A copy is heard at any place, as it lies there, and only from the store that it is in.
func TestHear(t *testing.T) {
	t.Parallel()
	inWorld(t, ledgertest.File(t.TempDir()), func(w *world) {
		const path = "masters/QV-0107/QV-0107_A.wav"
		big := make([]byte, 3<<20)
		rand.NewChaCha8([32]byte{1}).Read(big)
		w.held(path)
		w.put(path, big, "vault")
		var c ledger.Copy
		w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) error {
			cs, err := t.Copies.Of(w.file("masters", "QV-0107/QV-0107_A.wav").ID)
			for _, x := range cs {
				if x.Store == "vault" {
					c = x
				}
			}
			return err
		}))
		hear := func() error {
			return w.app.Acts.Hear(w.Context(), c, func(_ context.Context, r io.ReaderAt, size int64) error {
				if size != int64(len(big)) {
					t.Errorf("%d bytes", size)
				}
				rnd := rand.New(rand.NewPCG(1, 1))
				for range 200 {
					at, n := rnd.Int64N(size+100), rnd.IntN(100_000)
					p := make([]byte, n)
					m, err := r.ReadAt(p, at)
					want := big[min(size, at):min(size, at+int64(n))]
					if !bytes.Equal(p[:m], want) || m < n && err != io.EOF || m == n && err != nil {
						t.Fatalf("%d bytes at %d: %d, %v", n, at, m, err)
					}
				}
				return nil
			})
		}
		w.must(hear())
		w.must(os.Rename(w.at("vault"), w.at("elsewhere")))
		if err := hear(); err == nil {
			t.Error("a store that isn't there was heard")
		}
		w.must(os.Rename(w.at("studio"), w.at("vault")))
		if err := hear(); !errors.Is(err, fixity.ErrAway) {
			t.Errorf("another store in its place: %v", err)
		}
		w.must(os.Rename(w.at("vault"), w.at("studio")))
		w.must(os.Rename(w.at("elsewhere"), w.at("vault")))
		w.must(os.Remove(w.at("vault/" + path)))
		if err := hear(); !errors.Is(err, fixity.ErrVanished) {
			t.Errorf("a file that is gone: %v", err)
		}
		w.put(path, big, "vault")
	})
}
