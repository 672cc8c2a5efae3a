package demo_test

import (
	"testing"

	"firmus/cmd/firmus/internal/demo"
	"firmus/fixity"

	"github.com/google/go-cmp/cmp"
)

func TestCompare(t *testing.T) {
	bad := demo.Planted{Store: "vault", Set: "masters", Path: "QV-0107/a.wav", Subject: fixity.OfFile,
		Kind: fixity.Kind(fixity.Altered), Anatomy: fixity.Flipped, Urgency: fixity.AtRisk, Story: "a bit has turned"}
	moved := demo.Planted{Store: "studio", Set: "access", Path: "QV-0107/b.wav", FoundAt: "QV-0107/c.wav", Subject: fixity.OfFile,
		Kind: fixity.Kind(fixity.Misplaced), Urgency: fixity.Tidy}
	found := func(p demo.Planted, change ...func(*fixity.Finding)) fixity.Finding {
		f := fixity.Finding{ID: 7, Store: p.Store, Set: p.Set, Path: p.Path, FoundAt: p.FoundAt, Subject: p.Subject,
			Kind: p.Kind, Anatomy: p.Anatomy, Urgency: p.Urgency, IntactIn: []string{"studio"}}
		for _, c := range change {
			c(&f)
		}
		return f
	}
	settled := func(f *fixity.Finding) { f.Settled = fixity.ByPerson }
	type result struct {
		Lacking []demo.Planted
		Extra   []fixity.Finding
	}
	wrong := func(change func(*fixity.Finding)) (f []fixity.Finding, r result) {
		x := found(bad, change)
		return []fixity.Finding{x}, result{[]demo.Planted{bad}, []fixity.Finding{x}}
	}
	cases := []struct {
		name    string
		planted []demo.Planted
		found   []fixity.Finding
		want    result
	}{
		{"nothing", nil, nil, result{}},
		{"all found, in another order", []demo.Planted{bad, moved}, []fixity.Finding{found(moved), found(bad)}, result{}},
		{"none found", []demo.Planted{bad, moved}, nil, result{Lacking: []demo.Planted{bad, moved}}},
		{"nothing planted", nil, []fixity.Finding{found(bad), found(moved)}, result{Extra: []fixity.Finding{found(bad), found(moved)}}},
		{"one of each", []demo.Planted{bad}, []fixity.Finding{found(moved)}, result{[]demo.Planted{bad}, []fixity.Finding{found(moved)}}},
		{"found twice", []demo.Planted{bad}, []fixity.Finding{found(bad), found(bad)}, result{Extra: []fixity.Finding{found(bad)}}},
		{"planted twice", []demo.Planted{bad, bad}, []fixity.Finding{found(bad)}, result{Lacking: []demo.Planted{bad}}},
		{"settled is not found", []demo.Planted{bad}, []fixity.Finding{found(bad, settled)}, result{Lacking: []demo.Planted{bad}}},
		{"settled is not extra", []demo.Planted{bad}, []fixity.Finding{found(moved, settled), found(bad)}, result{}},
	}
	for name, change := range map[string]func(*fixity.Finding){
		"wrong store":    func(f *fixity.Finding) { f.Store = "studio" },
		"wrong set":      func(f *fixity.Finding) { f.Set = "access" },
		"wrong path":     func(f *fixity.Finding) { f.Path = "QV-0107/a.wav " },
		"wrong place":    func(f *fixity.Finding) { f.FoundAt = "QV-0107/c.wav" },
		"wrong subject":  func(f *fixity.Finding) { f.Subject = fixity.OfStray },
		"wrong kind":     func(f *fixity.Finding) { f.Kind = fixity.Kind(fixity.Unsteady) },
		"wrong anatomy":  func(f *fixity.Finding) { f.Anatomy = fixity.Replaced },
		"wrong urgency":  func(f *fixity.Finding) { f.Urgency = fixity.Tidy },
		"not of anatomy": func(f *fixity.Finding) { f.Anatomy = "" },
	} {
		f, r := wrong(change)
		cases = append(cases, struct {
			name    string
			planted []demo.Planted
			found   []fixity.Finding
			want    result
		}{name, []demo.Planted{bad}, f, r})
	}
	for _, c := range cases {
		t.Run(c.name, func(t *testing.T) {
			lacking, extra := demo.Compare(c.planted, c.found)
			if diff := cmp.Diff(c.want, result{lacking, extra}); diff != "" {
				t.Errorf("(-want +got):\n%s", diff)
			}
		})
	}
}
