package statements

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Reels is the statement of where each side is in the work.
type Reels struct {
	Archive string               `json:"-"`
	At      time.Time            `json:"at"`
	Reels   int64                `json:"reels"`
	Sides   int64                `json:"sides"`
	Counts  map[reels.Next]int64 `json:"counts"` // of all sides, by what comes next
	Rows    []ReelsRow           `json:"rows"`

	columns []reels.Column
	discs   bool
	access  bool // there is a set of access files
	unsided bool // nothing tells sides
}

// ReelsRow is one side.
type ReelsRow struct {
	Item        string       `json:"item"`
	Side        string       `json:"side"`
	Next        reels.Next   `json:"next"`
	Of          []string     `json:"of,omitempty"` // the stores that what comes next is about
	Findings    []int64      `json:"findings,omitempty"`
	Seconds     float64      `json:"seconds,omitempty"`
	Transferred *time.Time   `json:"transferred"` // null: not yet
	Whole       *bool        `json:"whole"`       // null: nothing is there
	Access      int          `json:"access"`      // files
	Editing     bool         `json:"editing"`
	Stores      []ReelsStore `json:"stores"`
	Copy1       []string     `json:"disc_a"`
	Copy2       []string     `json:"disc_b"`
	Register    *ReelsSaid   `json:"register"` // null: it says nothing

	order string
}

// ReelsStore is what one store has of a side.
type ReelsStore struct {
	Role     fixity.Role  `json:"role"`
	Store    string       `json:"store"`
	State    fixity.State `json:"state"` // of the file that needs somebody most; "" if none is there
	Of       int          `json:"of"`    // files that are so
	All      int          `json:"all"`
	Expected bool         `json:"expected"`
}

// ReelsSaid is what the register says of it.
type ReelsSaid struct {
	Row          int    `json:"row"`
	Title        string `json:"title"`
	Base         string `json:"base"`
	Condition    string `json:"condition"`
	Treatment    string `json:"treatment"`
	Hazard       string `json:"hazard"`
	Priority     string `json:"priority"`
	Playable     string `json:"playable"`
	CannotRepeat bool   `json:"cannot_repeat"`
}

// MakeReels gathers the sides that are asked for, each with all its copies.
func MakeReels(ctx context.Context, l *ledger.Ledger, name string, rules care.Rules, f reels.Filter, now time.Time) (*Reels, error) {
	var r *Reels
	discs := map[int64]ledger.Disc{}
	o, err := reels.Whole(ctx, l, func(t *ledger.Tx) (reels.Plan, error) {
		r = &Reels{Archive: name, At: now, Rows: []ReelsRow{}}
		clear(discs)
		all, err := t.Discs.All()
		for _, d := range all {
			discs[d.ID] = d
		}
		if err != nil {
			return reels.Plan{}, err
		}
		shelf, err := t.Discs.Any()
		return reels.PlanOf(rules, shelf), err
	}, now, func(p reels.Plan, s reels.Side) error {
		if f.Fits(s) {
			r.Rows = append(r.Rows, rowOf(p, s, discs))
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	slices.SortFunc(r.Rows, func(a, b ReelsRow) int {
		return o.Place(reels.Key{Item: a.Item, Side: a.Side}) - o.Place(reels.Key{Item: b.Item, Side: b.Side})
	})
	r.Reels, r.Sides, r.Counts, r.columns, r.discs, r.access, r.unsided = o.Items, o.Sides(), o.Counts, o.Plan.Columns, o.Plan.Discs, o.Plan.Access, o.Unsided()
	return r, nil
}

func rowOf(p reels.Plan, s reels.Side, discs map[int64]ledger.Disc) ReelsRow {
	r := ReelsRow{Item: s.Item, Side: s.Side, Next: s.Next, Of: s.Of, Seconds: s.Length.Seconds(), Access: s.Access, Editing: s.Editing, Copy1: []string{}, Copy2: []string{}, order: s.Order()}
	if s.Next == reels.PutRight || s.Next == reels.Decide {
		for _, f := range s.Findings {
			r.Findings = append(r.Findings, f.ID)
		}
	}
	if len(s.Files) > 0 {
		at, whole := s.Transferred, !s.Unfinished // and nothing else of the side is kept
		r.Transferred, r.Whole = &at, &whole
	}
	for i, x := range s.Cells {
		r.Stores = append(r.Stores, ReelsStore{p.Columns[i].Role, p.Columns[i].Store, x.State, x.Of, x.All, x.Expected})
	}
	for _, id := range s.Discs {
		if d := discs[id]; d.Twin == "" || d.Twin == "A" {
			r.Copy1 = append(r.Copy1, d.Name())
		} else {
			r.Copy2 = append(r.Copy2, d.Name())
		}
	}
	if x := s.Says; x != nil {
		r.Register = &ReelsSaid{x.Line, x.Title, x.Base, x.Condition, s.Treatment(), x.Hazard, x.Priority, string(x.Playable), s.Once}
	}
	return r
}

// cells are a row as texts: of what the terminal and a spreadsheet show.
func (r *Reels) cells(x ReelsRow, now time.Time) []string {
	next := x.order
	if len(x.Findings) > 0 {
		next += fmt.Sprintf(" (finding %d)", x.Findings[0])
	}
	out := []string{x.Item, x.Side, next, report.Clock(time.Duration(x.Seconds * float64(time.Second)))}
	transferred, edited := "not yet", "not yet"
	if x.Transferred != nil {
		if transferred = report.Day(*x.Transferred, now); !*x.Whole {
			transferred += ", not whole"
		}
	}
	switch {
	case x.Editing:
		edited = "being edited"
	case x.Access > 0:
		edited = fixity.Count(x.Access, "file")
	case !r.access:
		edited = ""
	}
	out = append(out, transferred, edited)
	for _, s := range x.Stores {
		switch {
		case s.All == 0 && s.Expected:
			out = append(out, "not yet")
		case s.All == 0:
			out = append(out, "")
		case s.Of < s.All:
			out = append(out, fmt.Sprintf("%d of %d %s", s.Of, s.All, s.State))
		default:
			out = append(out, string(s.State))
		}
	}
	if r.discs {
		for _, d := range [][]string{x.Copy1, x.Copy2} {
			out = append(out, cmp.Or(strings.Join(d, ", "), "not yet"))
		}
	}
	said := ReelsSaid{}
	if x.Register != nil {
		said = *x.Register
	}
	again := ""
	if said.CannotRepeat {
		again = "can't be transferred again"
	}
	return append(out, said.Title, said.Base, said.Condition, said.Treatment, said.Hazard, said.Priority, again)
}

func (r *Reels) heads() []string {
	out := []string{"item", "side", "next", "length", "transferred", "edited"}
	for _, c := range r.columns {
		role := "master"
		if c.Role == fixity.Access {
			role = "access"
		}
		out = append(out, role+", "+c.Store)
	}
	if r.discs {
		out = append(out, "disc, copy 1", "disc, copy 2")
	}
	return append(out, "title", "base", "condition", "treatment", "hazard", "priority", "register")
}
