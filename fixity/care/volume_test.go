package care_test

import (
	"fmt"
	"maps"
	"testing"

	"firmus/fixity"
	"firmus/fixity/care"
)

func root(store string) care.RootOf { return care.RootOf{Store: store, Set: "masters"} }

// TestOneVolumeNeverCountsTwice: what stands for what when a drive dies, and when a hand
// errs, in all combinations.
func TestOneVolumeNeverCountsTwice(t *testing.T) {
	stores := []care.Store{
		{Name: "studio", Kind: "disk", Sets: []string{"masters"}},
		{Name: "vault", Kind: "disk", Sets: []string{"masters"}},
		{Name: "safe", Kind: "disk", Sets: []string{"masters"}},
		{Name: "pool", Kind: "disk", Sets: []string{"masters"}, OwnDrive: true},
		{Name: "synced", Kind: "disk", Sets: []string{"masters"}, Follows: "cloud"},
		{Name: "cloud", Kind: "cloud", Sets: []string{"masters"}},
	}
	for _, tc := range []struct {
		name    string
		volumes map[string]string
		count   []string
		want    int
	}{
		{"nothing is known yet", nil, []string{"studio", "vault"}, 2},
		{"two on one volume", map[string]string{"studio": "a", "vault": "a"}, []string{"studio", "vault"}, 1},
		{"two on two volumes", map[string]string{"studio": "a", "vault": "b"}, []string{"studio", "vault"}, 2},
		{"one that counts all the same", map[string]string{"studio": "a", "pool": "a"}, []string{"studio", "pool"}, 2},
		{"three on one volume, one counts", map[string]string{"studio": "a", "vault": "a", "pool": "a"}, []string{"studio", "vault", "pool"}, 2},
		{"a synced folder beside the studio adds nothing", map[string]string{"studio": "a", "synced": "a"}, []string{"studio", "synced", "cloud"}, 2},
		{"but it takes nothing from the cloud", map[string]string{"studio": "a", "synced": "a"}, []string{"studio", "cloud"}, 2},
		{"alone it is one", map[string]string{"studio": "a", "synced": "a"}, []string{"studio", "synced"}, 1},
		{"on its own drive it is one with the cloud", map[string]string{"studio": "a", "synced": "b"}, []string{"studio", "synced", "cloud"}, 2},
		{"where the system doesn't say", map[string]string{"studio": "a", "vault": care.UnsaidVolume}, []string{"studio", "vault"}, 1},
		{"the system doesn't say, and it counts all the same", map[string]string{"studio": "a", "pool": care.UnsaidVolume}, []string{"studio", "pool"}, 2},
		{"a service is on no drive, whatever its store lay on before", map[string]string{"studio": "a", "cloud": "a"}, []string{"studio", "cloud"}, 2},
		{"the same store twice", map[string]string{"studio": "a"}, []string{"studio", "studio"}, 1},
	} {
		t.Run(tc.name, func(t *testing.T) {
			on := map[care.RootOf]string{}
			for s, v := range tc.volumes {
				on[root(s)] = v
			}
			r := care.Rules{Stores: stores, Copies: 9}.OnVolumes(on)
			if got := r.CountIndependent(tc.count); got != tc.want {
				t.Errorf("%v count as %d, want %d", tc.count, got, tc.want)
			}
			if len(tc.count) == 2 {
				if got := r.Independent(tc.count[0], tc.count[1]); got != (tc.want == 2) {
					t.Errorf("independent: %v", got)
				}
			}
		})
	}
	r := care.Rules{Stores: stores[:3], Copies: 3}.OnVolumes(map[care.RootOf]string{root("studio"): "a", root("vault"): "a", root("safe"): "b"})
	if n, _ := r.Asked("masters", func(string) bool { return false }); n != 2 {
		t.Errorf("%d copies are asked of three stores on two volumes", n)
	}
	if r.InStep("studio", "vault") {
		t.Error("stores on one volume are taken for stores that a program keeps in step")
	}
	if got := fmt.Sprint(r.Shared()); got != "[{studio [vault] false}]" {
		t.Errorf("shared: %s", got)
	}
}

// TestDeviceNumbersAreNeverKept: what is kept of a volume is its own id, or a name of
// ours, and stays right when device numbers change hands.
func TestDeviceNumbersAreNeverKept(t *testing.T) {
	n := 0
	fresh := func() string { n++; return fmt.Sprint(n) }
	kept := map[care.RootOf]string{}
	for i, tc := range []struct {
		name string
		seen map[string]fixity.Lies
		want map[string]string
	}{
		{"two drives with ids", map[string]fixity.Lies{"studio": {Device: "8:1", ID: "aa"}, "vault": {Device: "8:2", ID: "bb"}}, map[string]string{"studio": "aa", "vault": "bb"}},
		{"the numbers change hands", map[string]fixity.Lies{"studio": {Device: "8:2", ID: "aa"}, "vault": {Device: "8:1", ID: "bb"}}, map[string]string{"studio": "aa", "vault": "bb"}},
		{"another drive comes when the first has gone, with its number", map[string]fixity.Lies{"safe": {Device: "8:1", ID: "cc"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc"}},
		{"a folder on the drive that is away is known by its id", map[string]fixity.Lies{"pool": {Device: "8:1", ID: "bb"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb"}},
		{"two without ids, apart", map[string]fixity.Lies{"x": {Device: "8:5"}, "y": {Device: "8:6"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb", "x": "named 1", "y": "named 2"}},
		{"they keep their names under other numbers", map[string]fixity.Lies{"x": {Device: "8:6"}, "y": {Device: "8:5"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb", "x": "named 1", "y": "named 2"}},
		{"they were moved to one", map[string]fixity.Lies{"x": {Device: "8:6"}, "y": {Device: "8:6"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb", "x": "named 1", "y": "named 1"}},
		{"and apart again", map[string]fixity.Lies{"x": {Device: "8:6"}, "y": {Device: "8:7"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb", "x": "named 1", "y": "named 3"}},
		{"one device is one volume, whatever it is called", map[string]fixity.Lies{"x": {Device: "8:6", ID: "dd"}, "y": {Device: "8:6"}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb", "x": "dd", "y": "dd"}},
		{"the system doesn't say", map[string]fixity.Lies{"x": {Device: "0:50", Vague: true}}, map[string]string{"studio": "aa", "vault": "bb", "safe": "cc", "pool": "bb", "x": care.UnsaidVolume, "y": "dd"}},
	} {
		seen, want := map[care.RootOf]fixity.Lies{}, map[care.RootOf]string{}
		for s, l := range tc.seen {
			seen[root(s)] = l
		}
		for s, v := range tc.want {
			want[root(s)] = v
		}
		if kept = care.VolumesOf(kept, seen, fresh); !maps.Equal(kept, want) {
			t.Fatalf("%d, %s: %v, want %v", i, tc.name, kept, want)
		}
	}
}
