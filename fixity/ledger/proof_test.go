package ledger_test

import (
	"bytes"
	"errors"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/mlog"
)

func TestProofsAreCheckedByAStranger(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := written(t, d)
		k, err := w.l.Key()
		if err != nil {
			t.Fatal(err)
		}
		n := w.verbs()
		total := 0
		for _, c := range n {
			total += c
		}
		for seq := range total {
			p, err := w.l.Prove(t.Context(), k, int64(seq))
			if err != nil {
				t.Fatal(err)
			}
			// All that the stranger has is the text and the key.
			q, err := mlog.Unmarshal(p.Marshal())
			if err != nil {
				t.Fatal(err)
			}
			c, err := q.Verify(k.Public)
			if err != nil || c.Size != int64(total) {
				t.Errorf("event %d: %+v, %v", seq, c, err)
			}
			q.Leaf = append(bytes.Clone(q.Leaf), ' ')
			if _, err := q.Verify(k.Public); !errors.Is(err, mlog.ErrProof) {
				t.Errorf("event %d with another leaf: %v", seq, err)
			}
		}
		for _, seq := range []int64{-1, int64(total), 1 << 40} {
			if _, err := w.l.Prove(t.Context(), k, seq); !errors.Is(err, fixity.ErrNotFound) {
				t.Errorf("event %d: %v", seq, err)
			}
		}
		other := onSQLite(t)
		k2, err := other.open().Key()
		if err != nil {
			t.Fatal(err)
		}
		p, err := w.l.Prove(t.Context(), k, 0)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := p.Verify(k2.Public); !errors.Is(err, mlog.ErrUnsigned) {
			t.Errorf("with another ledger's key: %v", err)
		}
	})
}

func TestKeys(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := written(t, d)
		k, err := w.l.Key()
		if err != nil || k.New { // it was made with the ledger, whose first event names it
			t.Fatalf("the first key: %+v, %v", k, err)
		}
		again, err := w.l.Key()
		if err != nil || again.New || again.Public != k.Public {
			t.Fatalf("the same key again: %+v, %v", again, err)
		}
		k = again
		path := filepath.Join(d.state, "record.key")
		if st, err := os.Stat(path); err != nil || st.Mode().Perm() != 0o600 {
			t.Errorf("the key's file: %v, %v", st.Mode(), err)
		}
		old := checkpoint(t, w.l, k)

		// A forged one: the same text, signed by somebody else.
		if err := os.Rename(path, path+".kept"); err != nil {
			t.Fatal(err)
		}
		forged, err := w.l.Key()
		if err != nil || !forged.New {
			t.Fatalf("a key made anew: %+v, %v", forged, err)
		}
		byForger := checkpoint(t, w.l, forged)
		if _, err := w.l.CheckAgainst(t.Context(), byForger, k); !errors.Is(err, fixity.ErrRefused) || errors.Is(err, ledger.ErrRewritten) {
			t.Errorf("a checkpoint by a foreign key: %v", err)
		}
		// The key was lost and made just now: the record still knows the old one.
		if c, err := w.l.CheckAgainst(t.Context(), old, forged); err != nil || c.Size == 0 {
			t.Errorf("an old checkpoint after the key was lost: %+v, %v", c, err)
		}
		bad := bytes.Clone(old)
		bad[len(bad)-5] ^= 1
		if _, err := w.l.CheckAgainst(t.Context(), bad, forged); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("an old checkpoint with another signature, after the key was lost: %v", err)
		}
		// Noted in the record, the new key is known when it is lost in its turn.
		if err := w.l.NoteKey(t.Context(), begun, forged); err != nil {
			t.Fatal(err)
		}
		if _, err := w.l.CheckAgainst(t.Context(), byForger, k); err != nil {
			t.Errorf("a checkpoint by a key that the record names: %v", err)
		}
		tampered := bytes.Replace(old, []byte("firmus/"), []byte("firmuS/"), 1)
		for name, text := range map[string][]byte{"of another record": tampered, "empty": nil, "no checkpoint": []byte("Quillmere\n"), "cut": old[:len(old)/2]} {
			if _, err := w.l.CheckAgainst(t.Context(), text, k); !errors.Is(err, fixity.ErrRefused) {
				t.Errorf("a checkpoint that is %s: %v", name, err)
			}
		}
		// A key that was damaged is told, not replaced.
		if err := os.WriteFile(path, []byte("PRIVATE+KEY+nonsense\n"), 0o600); err != nil {
			t.Fatal(err)
		}
		if _, err := w.l.Key(); err == nil || !strings.Contains(err.Error(), path) {
			t.Errorf("a damaged key: %v", err)
		}
	})
}
