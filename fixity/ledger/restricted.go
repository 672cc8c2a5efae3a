package ledger

import (
	"encoding/json"
	"errors"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Restricted says which recordings are not for everybody: those of a set of which the rules
// say it, and those of which the register doesn't say plainly that they are free, if it has a
// column for it. The zero value restricts sets alone.
type Restricted struct {
	rules  care.Rules
	column bool
	of     map[string][]fixity.RegisterSays
}

// AllRestricted restricts all, for who can't find out what is restricted.
func AllRestricted(rules care.Rules) Restricted { return Restricted{rules: rules, column: true} }

// Restricted reads what the rules and the register in force restrict.
func (t Register) Restricted() (Restricted, error) {
	r := Restricted{rules: t.l.Rules(), column: t.l.Rules().RestrictsItems}
	v, err := t.Version(0)
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return r, err
	}
	if err == nil {
		columns := map[string]string{}
		if err := json.Unmarshal([]byte(v.Columns), &columns); err != nil {
			return r, err
		}
		if columns["restricted"] == "" {
			return r, nil // if there is a column for it by now, nothing was read of it yet
		}
		r.column = true
	}
	if !r.column {
		return r, nil
	}
	all, err := t.AllSays()
	r.of = make(map[string][]fixity.RegisterSays, len(all))
	for _, x := range all {
		r.of[x.Item] = append(r.of[x.Item], x)
	}
	return r, err
}

// None says that nothing is restricted.
func (r Restricted) None() bool { return !r.column && !r.Sets() }

// Sets says that whole sets are restricted.
func (r Restricted) Sets() bool {
	return slices.ContainsFunc(r.rules.Sets, func(s care.Set) bool { return s.Restricted })
}

// File says that a file isn't for everybody, by its path in the set.
func (r Restricted) File(set, path string) bool {
	s, _ := r.rules.Set(set)
	if s.Restricted || !r.column {
		return s.Restricted
	}
	f := s.FieldsOf(path)
	return r.Item(f.Item, f.Side)
}

// Item says that a side of an item isn't for everybody. What the register says nothing of is
// restricted, if it has a column for that.
func (r Restricted) Item(item, side string) bool {
	if !r.column {
		return false
	}
	about := aboutSide(r.of[item], side)
	for _, x := range about {
		if x.Restricted {
			return true
		}
	}
	return len(about) == 0
}

// aboutSide are those that are about a side, or about the whole item, that of the side first.
func aboutSide(all []fixity.RegisterSays, side string) (out []fixity.RegisterSays) {
	for _, x := range all {
		if side == "" || x.Side != "" && strings.EqualFold(strings.TrimLeft(x.Side, "0"), strings.TrimLeft(side, "0")) {
			out = append(out, x)
		}
	}
	for _, x := range all {
		if side != "" && x.Side == "" {
			out = append(out, x)
		}
	}
	return out
}

// About is what the register in force says of a side of an item: of the side first, then of
// the whole item.
func (t Register) About(item, side string) ([]fixity.RegisterSays, error) {
	if item == "" {
		return nil, nil
	}
	all, err := t.Says(item)
	return aboutSide(all, side), err
}

// AboutFile is what it says of what is on a file.
func (t Register) AboutFile(set, path string) ([]fixity.RegisterSays, error) {
	s, _ := t.l.Rules().Set(set)
	f := s.FieldsOf(path)
	return t.About(f.Item, f.Side)
}
