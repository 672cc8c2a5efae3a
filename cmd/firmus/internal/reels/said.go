package reels

import (
	"cmp"
	"encoding/json"
	"fmt"
	"strings"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
)

// Said is what the register in force says, by item.
type Said map[string][]register.Says

// SaidOf reads what the ledger keeps of it.
func SaidOf(rows []fixity.RegisterSays) (Said, error) {
	s := make(Said, len(rows))
	for _, r := range rows {
		x := register.Says{Item: r.Item, Side: r.Side}
		if err := json.Unmarshal([]byte(r.Text), &x); err != nil {
			return nil, fmt.Errorf("what the register says of %s: %w", r.Item, err)
		}
		if r.Unplayable {
			x.Playable = register.CannotAgain
		}
		s[r.Item] = append(s[r.Item], x)
	}
	return s, nil
}

// of is what it says of a side: of the side itself, or else of the whole reel; nil if it
// says nothing.
func (s Said) of(item, side string) *register.Says {
	var all *register.Says
	for i, x := range s[item] {
		switch {
		case same(x.Side, side):
			return &s[item][i]
		case x.Side == "":
			all = &s[item][i]
		}
	}
	return all
}

// same says that two names of a side mean one: 01 is 1.
func same(a, b string) bool {
	return strings.EqualFold(strings.TrimLeft(a, "0"), strings.TrimLeft(b, "0"))
}

// once says that the item can't be transferred again.
func (s Said) once(item string) bool {
	for _, x := range s[item] {
		if x.Playable == register.CannotAgain {
			return true
		}
	}
	return false
}

// add puts the sides into the list that the register knows and no file is of.
func (s Said) add(sides []Side) []Side {
	type key struct{ item, side string }
	items, have := map[string]bool{}, map[key]bool{}
	for _, x := range sides {
		items[x.Item], have[key{x.Item, strings.TrimLeft(x.Side, "0")}] = true, true
	}
	for item, says := range s {
		for _, x := range says {
			k := key{item, strings.TrimLeft(strings.ToUpper(x.Side), "0")}
			// A row about a whole reel adds nothing once a side of it is there; nor does a row
			// about a side if the names of the reel's files don't tell sides.
			if have[k] || x.Side == "" && items[item] || have[key{item, ""}] {
				continue
			}
			have[k] = true
			sides = append(sides, Side{Item: item, Side: strings.ToUpper(x.Side)})
		}
	}
	return sides
}

// note fills in what the register adds to a side, and what comes next with one of which no
// file is there.
func (s Said) note(x *Side) {
	x.Says, x.Once = s.of(x.Item, x.Side), s.once(x.Item)
	if len(x.Files) > 0 || x.Says == nil {
		return
	}
	switch {
	case !x.Says.ToTransfer:
		x.Next = Seek
	case x.Says.Playable == register.NeverCould || x.Says.Playable == register.CannotAgain:
		x.Next = Unplayable
	default:
		x.Next = Transfer
	}
	if len(x.Says.Length.Readings) > 0 {
		x.Length = x.Says.Length.Readings[0].Length
	}
}

// InTreatment says that the reel is being treated, as the register has it.
func (s Side) InTreatment() bool {
	return s.Says != nil && s.Says.TreatedFrom != "" && s.Says.TreatedTo == ""
}

// Treatment is what the register says of it, in its own words.
func (s Side) Treatment() string {
	if s.Says == nil {
		return ""
	}
	var out []string
	for _, x := range [][2]string{{"in treatment since ", s.Says.TreatedFrom}, {"out of treatment ", s.Says.TreatedTo}, {"to be played by ", s.Says.PlayBy}} {
		if x[1] != "" {
			out = append(out, x[0]+x[1])
		}
	}
	return strings.Join(out, ", ")
}

// Ranks of sides: what can't be transferred again comes first, then what the register wants
// sooner and nobody has transferred.
const (
	foremost = iota
	sooner
	usual
)

func (s Side) rank() int {
	switch {
	case s.Once:
		return foremost
	case s.Next == Transfer && s.Says != nil && s.Says.Priority != "" && !strings.EqualFold(s.Says.Priority, "no"):
		return sooner
	}
	return usual
}

// inOrder compares sides by their place in the order of all.
func inOrder(a, b Side) int {
	return cmp.Or(cmp.Compare(a.rank(), b.rank()), cmp.Compare(a.Item, b.Item), cmp.Compare(a.Side, b.Side))
}
