package fixity_test

import (
	"go/ast"
	"go/parser"
	"go/token"
	"io/fs"
	"os"
	"path/filepath"
	"regexp"
	"slices"
	"strconv"
	"strings"
	"testing"

	"firmus/fixity"
)

// groups are the stored types and the group of the vocabulary that holds their codes.
var groups = map[string]string{
	"State": "state", "Kind": "kind", "Anatomy": "anatomy", "Urgency": "urgency", "Subject": "subject", "Strength": "strength",
	"Cache": "cache", "Role": "role", "Settled": "settled", "Verb": "verb", "Outcome": "outcome", "Phase": "phase",
	"DiscVerdict": "disc", "PersonRole": "person", "ProposalEnd": "proposal", "FactKind": "fact", "Basis": "basis", "Bound": "bound",
}

// constants are all string constants of this package's types, by type.
func constants(t *testing.T) map[string][]string {
	t.Helper()
	out := map[string][]string{}
	names, err := filepath.Glob("*.go")
	if err != nil {
		t.Fatal(err)
	}
	for _, name := range names {
		f, err := parser.ParseFile(token.NewFileSet(), name, nil, 0)
		if err != nil {
			t.Fatal(err)
		}
		for _, d := range f.Decls {
			g, ok := d.(*ast.GenDecl)
			if !ok || g.Tok != token.CONST {
				continue
			}
			for _, s := range g.Specs {
				v := s.(*ast.ValueSpec)
				typ, ok := v.Type.(*ast.Ident)
				if !ok {
					continue
				}
				for _, x := range v.Values {
					lit, ok := x.(*ast.BasicLit)
					if !ok || lit.Kind != token.STRING {
						continue
					}
					text, err := strconv.Unquote(lit.Value)
					if err != nil {
						t.Fatal(err)
					}
					out[typ.Name] = append(out[typ.Name], text)
				}
			}
		}
	}
	return out
}

func TestEveryStoredConstantIsInTheVocabularyOnce(t *testing.T) {
	found := constants(t)
	for typ, codes := range found {
		if typ == "Algorithm" {
			continue // the names are RFC 8493's, and are shown as they are
		}
		group, ok := groups[typ]
		if !ok {
			t.Errorf("type %s has constants and no group in this test", typ)
			continue
		}
		for _, c := range codes {
			n := 0
			for _, term := range fixity.Vocabulary {
				if term.Group == group && term.Code == c {
					n++
				}
			}
			if n != 1 {
				t.Errorf("%s %q stands %d times in the vocabulary, want once", typ, c, n)
			}
			if fixity.Means(group, c) == "" {
				t.Errorf("%s %q has no meaning", typ, c)
			}
		}
	}
	for typ, group := range groups {
		if len(found[typ]) == 0 {
			t.Errorf("type %s has no constants: did it go?", typ)
		}
		for _, term := range fixity.Vocabulary {
			if term.Group == group && !slices.Contains(found[typ], term.Code) {
				t.Errorf("the vocabulary has %s %q, which is no constant of %s", group, term.Code, typ)
			}
		}
	}
	for _, term := range fixity.Vocabulary {
		known := false
		for _, g := range groups {
			known = known || g == term.Group
		}
		if !known {
			t.Errorf("group %q of the vocabulary belongs to no type", term.Group)
		}
	}
}

func TestMeansOfNothing(t *testing.T) {
	for _, c := range [][2]string{{"state", ""}, {"", "intact"}, {"state", "away"}, {"kind", "intact"}} {
		if m := fixity.Means(c[0], c[1]); m != "" {
			t.Errorf("Means(%q, %q) = %q, want nothing", c[0], c[1], m)
		}
	}
}

// quoted finds the literals of SQL that are compared with a column of codes.
var quoted = regexp.MustCompile(`\b(state|subject|phase|verb|kind|settled|read_cache|urgency)\s*(?:=|<>|IN|NOT IN)\s*(\((?:\s*'[^']*'\s*,?)+\)|'[^']*')`)

// A code that is spelled inside a query is seen by no compiler.
func TestCodesInQueriesAreKnown(t *testing.T) {
	group := map[string][]string{"state": {"state"}, "subject": {"subject"}, "phase": {"phase"}, "verb": {"verb"}, "kind": {"kind", "state"},
		"settled": {"settled"}, "read_cache": {"cache"}, "urgency": {"urgency"}}
	n := 0
	err := filepath.WalkDir("ledger", func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() || strings.HasSuffix(p, "_test.go") || filepath.Ext(p) != ".go" && filepath.Ext(p) != ".sql" {
			return err
		}
		text, err := os.ReadFile(p)
		if err != nil {
			return err
		}
		for _, m := range quoted.FindAllStringSubmatch(string(text), -1) {
			for _, lit := range regexp.MustCompile(`'([^']*)'`).FindAllStringSubmatch(m[2], -1) {
				if lit[1] == "" || strings.HasPrefix(lit[1], "`+string(fixity.") {
					continue // not yet anything, or a constant that the compiler sees
				}
				n++
				known := false
				for _, g := range group[m[1]] {
					known = known || fixity.Means(g, lit[1]) != ""
				}
				if !known {
					t.Errorf("%s: %q is no code of %s", p, lit[1], m[1])
				}
			}
		}
		return nil
	})
	if err != nil {
		t.Fatal(err)
	}
	if n < 10 {
		t.Errorf("only %d codes were found in queries: is the pattern still right?", n)
	}
}

// The schema's comments list the phases that its column takes.
func TestPhasesInMigrationsAreKnown(t *testing.T) {
	files, err := filepath.Glob("ledger/migrations/*/*.sql")
	if err != nil || len(files) == 0 {
		t.Fatalf("no migrations: %v", err)
	}
	for _, p := range files {
		text, err := os.ReadFile(p)
		if err != nil {
			t.Fatal(err)
		}
		for line := range strings.Lines(string(text)) {
			column, comment, ok := strings.Cut(line, "--")
			if !ok || !strings.HasPrefix(strings.TrimSpace(column), "phase ") {
				continue
			}
			for _, lit := range regexp.MustCompile(`'([^']*)'`).FindAllStringSubmatch(comment, -1) {
				if fixity.Means("phase", lit[1]) == "" {
					t.Errorf("%s: %q is no phase", p, lit[1])
				}
			}
		}
	}
}

func TestUrgenciesAreOrdered(t *testing.T) {
	order := []fixity.Urgency{"", fixity.Tidy, fixity.AtRisk, fixity.NoneIntact}
	for i, u := range order {
		if u.Level() != i {
			t.Errorf("level of %q is %d, want %d", u, u.Level(), i)
		}
	}
}

func TestOnlyAnUnsettledFindingIsOpen(t *testing.T) {
	if f := (fixity.Finding{}); !f.Open() {
		t.Error("a finding that nobody settled isn't open")
	}
	for _, s := range constants(t)["Settled"] {
		if f := (fixity.Finding{Settled: fixity.Settled(s)}); f.Open() {
			t.Errorf("a finding settled %q is open", s)
		}
	}
}
