package care_test

import (
	"testing"

	"firmus/fixity"
	"firmus/fixity/care"
)

func TestRulesFindStoresAndSets(t *testing.T) {
	if s, ok := rules.Store("vault"); !ok || s.Kind != "disk" {
		t.Errorf("vault: %+v, %v", s, ok)
	}
	if s, ok := rules.Store("attic"); ok || s.Name != "attic" || s.Holds("masters") {
		t.Errorf("a store that isn't configured: %+v, %v", s, ok)
	}
	if s, ok := rules.Set("access"); !ok || s.Role != fixity.Access {
		t.Errorf("access: %+v, %v", s, ok)
	}
	// What isn't known is frozen: nothing is accepted by itself.
	if s, ok := rules.Set("other"); ok || s.Role != fixity.Master {
		t.Errorf("a set that isn't configured: %+v, %v", s, ok)
	}
	if s, ok := rules.Arrivals("masters"); !ok || s.Name != "studio" {
		t.Errorf("arrivals: %+v, %v", s, ok)
	}
	if s, ok := rules.Arrivals("other"); ok {
		t.Errorf("arrivals of no set: %+v", s)
	}
}

func TestFollowersAreNotIndependent(t *testing.T) {
	r := care.Rules{Stores: []care.Store{
		{Name: "a"}, {Name: "b", Follows: "a"}, {Name: "c", Follows: "b"}, {Name: "d", Follows: "a"},
		{Name: "e"}, {Name: "f", Follows: "gone"}, {Name: "x", Follows: "y"}, {Name: "y", Follows: "x"},
	}}
	for _, c := range []struct {
		a, b string
		want bool
	}{
		{"a", "a", false}, {"a", "b", false}, {"b", "a", false}, {"a", "c", false}, {"c", "d", false},
		{"a", "e", true}, {"c", "e", true}, {"f", "a", true}, {"f", "gone", false},
	} {
		if got := r.Independent(c.a, c.b); got != c.want {
			t.Errorf("%s and %s: independent %v, want %v", c.a, c.b, got, c.want)
		}
	}
	r.Independent("x", "y") // a circle ends
}
