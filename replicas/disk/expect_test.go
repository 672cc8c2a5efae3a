package disk_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"testing"

	"firmus/fixity"
)

// TestAnotherDriveIsLeftAlone: once a root is expected to be a store's, nothing is read from and
// nothing is written to what lies in its place, and the store itself is used again when it is back.
func TestAnotherDriveIsLeftAlone(t *testing.T) {
	ctx := context.Background()
	files := map[string]string{"QV-0101/a.wav": "a song", ".firmus-ledger/x/b": "a backup", ".firmus-kept/1/a.wav.damaged": "kept"}
	d := shelf(t, files)
	check(t, d.Adopt(ctx, masters))
	d.Expect(masters)
	entry, err := d.Stat(ctx, "QV-0101/a.wav")
	check(t, err)
	text := func(w io.Writer) error { _, err := io.WriteString(w, "new"); return err }
	calls := map[string]func() error{
		"Identify": func() error { _, err := d.Identify(ctx); return err },
		"Shards":   func() error { _, err := d.Shards(ctx); return err },
		"List": func() error {
			for _, err := range d.List(ctx, "QV-0101") {
				if err != nil {
					return err
				}
			}
			return nil
		},
		"Stat":     func() error { _, err := d.Stat(ctx, entry.Path); return err },
		"ReadFile": func() error { _, err := d.ReadFile(ctx, entry.Path, 100); return err },
		"Open": func() error {
			r, err := d.Open(ctx, entry, 0)
			if err == nil {
				r.Close()
			}
			return err
		},
		"Begin": func() error {
			_, r, err := d.Begin(ctx, entry.Path)
			if err == nil {
				r.Close()
			}
			return err
		},
		"Replace":         func() error { return d.Replace(ctx, "QV-0101/manifest-sha256.txt", text) },
		"ReplaceVerified": func() error { return d.ReplaceVerified(ctx, "x/y", text, func(fixity.Reader) error { return nil }) },
		"PutBack": func() error {
			_, err := d.PutBack(ctx, fixity.PuttingBack{Path: "QV-0101/c.wav", Keep: ".firmus-kept/2", As: "damaged"}, text, func(fixity.Reader) error { return nil })
			return err
		},
		"Move":       func() error { return d.Move(ctx, entry, "QV-0101/d.wav") },
		"Names":      func() error { _, err := d.Names(ctx, ".firmus-ledger"); return err },
		"RenameOwn":  func() error { return d.RenameOwn(ctx, ".firmus-ledger/x", ".firmus-ledger/y") },
		"RemoveOwn":  func() error { return d.RemoveOwn(ctx, ".firmus-ledger/x") },
		"RemoveKept": func() error { return d.RemoveKept(ctx, ".firmus-kept/1/a.wav.damaged") },
		"KeptFiles":  func() error { _, err := d.KeptFiles(ctx, nil, nil); return err },
		"Sweep":      func() error { _, err := d.Sweep(ctx, nil); return err },
		"SweepOwn":   func() error { _, err := d.SweepOwn(ctx, ".firmus-ledger", nil); return err },
		"Restrict":   func() error { return d.Restrict(ctx, ".firmus-ledger", 0o600, 0o700, -1, true) },
		"Adopt":      func() error { return d.Adopt(ctx, masters) },
		"TakeOver":   func() error { return d.TakeOver(ctx, masters) },
	}
	kept := d.Root() + "-unplugged"
	check(t, os.Rename(d.Root(), kept))
	for what, marked := range map[string]bool{"without a marker": false, "of another store": true} {
		for p, s := range files {
			p = filepath.Join(d.Root(), filepath.FromSlash(p))
			check(t, os.MkdirAll(filepath.Dir(p), 0o755))
			check(t, os.WriteFile(p, []byte(s), 0o644))
		}
		if marked {
			check(t, os.WriteFile(filepath.Join(d.Root(), marker), []byte("holdings: theirs\nstore: other\nset: masters\n"), 0o644))
		}
		was := all(t, d.Root())
		for name, call := range calls {
			if err := call(); !errors.Is(err, fixity.ErrAway) {
				t.Errorf("%s on a drive %s: %v", name, what, err)
			}
		}
		if now := all(t, d.Root()); now != was {
			t.Errorf("a drive %s was\n%s\nand is\n%s", what, was, now)
		}
		check(t, os.RemoveAll(d.Root()))
	}
	check(t, os.Rename(kept, d.Root()))
	if id, err := d.Identify(ctx); err != nil || id.Store != masters.Store {
		t.Errorf("the store is back: %+v, %v", id, err)
	}
	check(t, calls["Replace"]())

	// The same drive in another folder, as where a mount is made anew, is the store.
	check(t, os.Rename(d.Root(), kept))
	check(t, os.CopyFS(d.Root(), os.DirFS(kept)))
	check(t, calls["Stat"]())
	// And a store that is another's from now on, by a person's word, is expected as that.
	other := fixity.Identity{Holdings: masters.Holdings, Store: "0195-other", Set: masters.Set}
	check(t, d.TakeOver(ctx, other))
	if id, err := d.Identify(ctx); err != nil || id.Store != other.Store {
		t.Errorf("taken over: %+v, %v", id, err)
	}
}

// all is what lies below a folder, with its bytes.
func all(t *testing.T, dir string) (out string) {
	t.Helper()
	check(t, filepath.WalkDir(dir, func(p string, e os.DirEntry, err error) error {
		if err != nil || e.IsDir() {
			out += p + "\n"
			return err
		}
		b, err := os.ReadFile(p)
		out += p + " " + string(b) + "\n"
		return err
	}))
	return out
}
