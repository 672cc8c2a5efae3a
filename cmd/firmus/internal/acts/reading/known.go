package reading

import (
	"slices"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Known is what the ledger knows, as far as a register can be held against it; about are the
// sets that it is about, all if it names none.
func Known(t *ledger.Tx, rules care.Rules, about []string) (k register.Known, err error) {
	files, err := t.Register.Files()
	if err != nil {
		return k, err
	}
	for _, f := range files {
		set, ok := rules.Set(f.Set)
		if !ok || len(about) > 0 && !slices.Contains(about, f.Set) {
			continue // also a set that isn't configured any more
		}
		x := set.FieldsOf(f.Path)
		k.Files = append(k.Files, register.KnownFile{ID: f.ID, Set: f.Set, Path: f.Path, Role: set.Role, Item: x.Item, Side: x.Side, Track: x.Track, Barcode: x.Barcode,
			Length: f.Sound, TakenIn: f.TakenAt})
	}
	on, err := t.Register.OnDiscs()
	if err != nil {
		return k, err
	}
	discs, err := t.Discs.All()
	if err != nil {
		return k, err
	}
	for _, d := range discs {
		if d.Retired.IsZero() {
			k.Discs = append(k.Discs, register.KnownDisc{Number: d.Number, Twin: d.Twin, Files: on[d.ID]})
		}
	}
	return k, nil
}
