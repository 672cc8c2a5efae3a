package ledger_test

import (
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Files that are gathered some items at a time are those of each item, in its order, with all
// their copies or with those that want somebody.
func TestEachWorking(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		// More than are read at once, most of them in one item.
		most := ledger.MostAtOnce
		var news []ledger.NewFile
		var copies []ledger.Copy
		w.tx(func(x *ledger.Tx) error {
			for i := range most + 300 {
				item := "QV-0102"
				if i%7 == 0 {
					item = "QV-0" + string(rune('a'+i%25))
				}
				p := item + "/" + string(rune('A'+i%26)) + string(rune('A'+i/26%26)) + string(rune('A'+i/26/26)) + ".wav"
				news = append(news, ledger.NewFile{Set: masters, Path: p, Changed: begun, Vouched: true, Version: bytesOf(p)})
			}
			fs, err := x.Files.AddAll("Ada Wren", news)
			if err != nil {
				return err
			}
			for i, f := range fs {
				state := fixity.Intact
				if i%100 == 0 {
					state = fixity.Awaited
				}
				for _, s := range []string{"studio", "vault"} {
					copies = append(copies, ledger.Copy{Store: s, Set: masters, At: f.Path, File: f.ID, State: state, Held: 1, Size: 1, Since: begun})
				}
			}
			return x.Copies.PutNew(copies)
		})
		w.view(func(x *ledger.Tx) error {
			for _, whole := range []bool{true, false} {
				n, calls, last := 0, 0, ""
				if err := x.Files.EachWorking(whole, func(part []ledger.Working) error {
					calls++
					for i := 0; i < len(part); {
						item := part[i].File.Item
						of, err := x.Files.OfItemWorking(item)
						if err != nil || item <= last || i+len(of) > len(part) {
							t.Fatalf("item %s behind %s, %d files of %d, %v", item, last, len(part)-i, len(of), err)
						}
						for k, f := range of {
							got := part[i+k]
							want := 0
							for _, c := range f.Copies {
								if !whole && c.State == fixity.Intact {
									continue
								}
								if g := got.Copies[want]; g.Store != c.Store || g.State != c.State || !g.Since.Equal(c.Since) || !g.Read.At.Equal(c.Read.At) || g.File != c.File || g.Set != c.Set {
									t.Fatalf("%+v, want %+v", g, c)
								}
								want++
							}
							if got.File != f.File || got.Sound != f.Sound || len(got.Copies) != want {
								t.Fatalf("%+v, want %+v", got, f)
							}
						}
						i, last = i+len(of), item
						n += len(of)
					}
					return nil
				}); err != nil {
					return err
				}
				if n != len(news) || calls < 2 {
					t.Errorf("%d of %d files in %d parts", n, len(news), calls)
				}
			}
			return nil
		})
	})
}
