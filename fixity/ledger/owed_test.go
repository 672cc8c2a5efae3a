package ledger_test

import (
	"errors"
	"go/ast"
	"go/parser"
	"go/token"
	"path/filepath"
	"regexp"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (w *world) owedIn(store string) (out []string) {
	w.Helper()
	w.view(func(x *ledger.Tx) error {
		os, err := x.Manifests.Owed(store)
		for _, o := range os {
			out = append(out, o.Set+"/"+o.Folder)
		}
		return err
	})
	return out
}

// A manifest that is marked again while it is being written is never taken for paid.
func TestAChangeWhileAManifestIsWrittenIsNeverPaid(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/a.wav", "one", true, "studio", "vault")
		w.take(masters, "QV-0108/a.wav", "another", true, "studio")
		var seen []ledger.OwedManifest
		w.view(func(x *ledger.Tx) (err error) { seen, err = x.Manifests.Owed("studio"); return err })
		if len(seen) != 2 || seen[0].Folder != "QV-0107" || seen[1].Folder != "QV-0108" {
			t.Fatalf("owed %+v", seen)
		}
		w.tx(func(x *ledger.Tx) error {
			_, err := x.Files.AddVersion(f.ID, bytesOf("two"), true)
			return err
		})
		w.tx(func(x *ledger.Tx) error {
			for _, o := range seen {
				if err := x.Manifests.Paid(o); err != nil {
					return err
				}
			}
			return nil
		})
		if got := w.owedIn("studio"); !slices.Equal(got, []string{masters + "/QV-0107"}) {
			t.Errorf("owed in the studio: %q", got)
		}
		if got := w.owedIn("vault"); !slices.Equal(got, []string{masters + "/QV-0107", masters + "/QV-0108"}) {
			t.Errorf("owed in the vault: %q", got)
		}
		// What is only read changes no manifest.
		w.tx(func(x *ledger.Tx) error {
			for _, store := range []string{"studio", "vault"} {
				os, err := x.Manifests.Owed(store)
				if err != nil {
					return err
				}
				for _, o := range os {
					if err := x.Manifests.Paid(o); err != nil {
						return err
					}
				}
			}
			c := w.copyOf(f, "studio")
			was := c
			c.State = fixity.Altered
			return x.Copies.Put(was, c)
		})
		if got := w.owedIn("studio"); len(got) > 0 {
			t.Errorf("owed after a reading: %q", got)
		}
		w.tx(func(x *ledger.Tx) error { return x.Files.Retire(f.ID) })
		if a, b := w.owedIn("studio"), w.owedIn("vault"); len(a) != 1 || len(b) != 1 {
			t.Errorf("owed after the retirement: %q, %q", a, b)
		}
	})
}

// goFiles are those of the ledger and of the packages below it.
func goFiles(t *testing.T) []string {
	t.Helper()
	own, err := filepath.Glob("*.go")
	below, err2 := filepath.Glob("*/*.go")
	if err := errors.Join(err, err2); err != nil || len(below) < 10 {
		t.Fatalf("%d files below, %v", len(below), err)
	}
	return append(own, below...)
}

// What manifests say is changed in three places only, which mark what is owed.
func TestNoStatementChangesAManifestUnmarked(t *testing.T) {
	onlyIn(t, `(INSERT INTO|DELETE FROM) instance\b|UPDATE instance SET [^W]*\b(store|set_name|top|at|file) =|UPDATE file SET [^W]*\bversion =`, "carrier <> 0",
		"Copies.Put", "Copies.drop", "Files.AddVersion")
}

// What is counted of files and copies is changed in a few places only, which keep the counts.
func TestNoStatementChangesWhatIsCountedUnseen(t *testing.T) {
	onlyIn(t, `(INSERT INTO|DELETE FROM) (instance|file|version)\b|UPDATE file SET [^W]*\b(set_name|item|version|taken_at|retired_at) =|UPDATE version SET [^W]*\b(n|duration) =|`+
		`UPDATE instance SET [^W]*\b(store|set_name|carrier|file|held|state|since|size|reported_at|reported_ok|read_at|read_ok|read_cache|same_as) =`, "finding",
		"Copies.Put", "Copies.drop", "Copies.SetSameAs", "Discs.MoveStore", "Files.AddAll", "Files.AddVersion", "Files.insertVersions", "Files.SetPath", "Files.Retire")
}

// onlyIn holds every statement that makes such changes, but those with a text in them, to
// the functions that may.
func onlyIn(t *testing.T, statements, but string, may ...string) {
	t.Helper()
	changes := regexp.MustCompile(`(?s)` + statements)
	var found []string
	for _, name := range goFiles(t) {
		if strings.HasSuffix(name, "_test.go") {
			continue
		}
		parsed, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, decl := range parsed.Decls {
			f, ok := decl.(*ast.FuncDecl)
			if !ok {
				continue
			}
			fn := f.Name.Name
			if f.Recv != nil {
				if room, ok := f.Recv.List[0].Type.(*ast.Ident); ok {
					fn = room.Name + "." + fn
				}
			}
			ast.Inspect(f, func(n ast.Node) bool {
				if s, ok := n.(*ast.BasicLit); ok && s.Kind == token.STRING && changes.MatchString(s.Value) && !strings.Contains(s.Value, but) {
					found = append(found, fn)
					if !slices.Contains(may, fn) {
						t.Errorf("%s, %s: %s\nIt must go through one of %v", name, fn, s.Value, may)
					}
				}
				return true
			})
		}
	}
	for _, m := range may {
		if !slices.Contains(found, m) {
			t.Errorf("%s changes nothing: the statements are no longer recognised", m)
		}
	}
}
