package main

import (
	"cmp"
	"context"
	"fmt"
	"slices"
	"strings"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (c *command) reportReelsCommand() *cobra.Command {
	var as asked
	var f reels.Filter
	cmd := &cobra.Command{
		Use:   "reels",
		Short: "Where each side of each reel is in the work, and what comes next",
		Long: `Says of each side of each reel where it is: on the shelf, transferred, whole, edited, in
each store, on which discs, and what comes next. Title, base, condition and treatment are
the register's own words. What it says can't be transferred again comes first.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if f.Next != "" && !slices.Contains(reels.Nexts, f.Next) {
				return usageError{fmt.Errorf("--next is one of %s, not %q", list(reels.Nexts), f.Next)}
			}
			if f.Only != "" && !slices.Contains(reels.Onlys, f.Only) {
				return usageError{fmt.Errorf("--only is one of %s, not %q", list(reels.Onlys), f.Only)}
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			r, err := reelsOf(cmd.Context(), a, f, time.Now())
			if err != nil {
				return err
			}
			return c.state(a, "list of reels", as, r)
		},
	}
	fl := cmd.Flags()
	as.flags(fl)
	fl.StringVar((*string)(&f.Next), "next", "", "only sides with which this `STEP` comes next; a wrong word lists them")
	fl.StringVar((*string)(&f.Only), "only", "", "only sides of which the register says so: `"+list(reels.Onlys)+"`")
	fl.StringVar(&f.Base, "base", "", "only sides of reels with this `BASE` in the register")
	return cmd
}

func list[T ~string](all []T) string {
	out := make([]string, len(all))
	for i, x := range all {
		out[i] = string(x)
	}
	return strings.Join(out, "|")
}

// reelsReport is where each side is, as JSON.
type reelsReport struct {
	At     time.Time            `json:"at"`
	Reels  int64                `json:"reels"`
	Sides  int64                `json:"sides"`
	Counts map[reels.Next]int64 `json:"counts"` // of all sides, by what comes next
	Rows   []reelsRow           `json:"rows"`

	archive string
	columns []reels.Column
	discs   bool
	access  bool // there is a set of access files
	unsided bool // nothing tells sides
}

type reelsRow struct {
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
	Stores      []reelsStore `json:"stores"`
	Copy1       []string     `json:"disc_a"`
	Copy2       []string     `json:"disc_b"`
	Register    *reelsSaid   `json:"register"` // null: it says nothing

	order string
}

type reelsStore struct {
	Role     fixity.Role  `json:"role"`
	Store    string       `json:"store"`
	State    fixity.State `json:"state"` // of the file that needs somebody most; "" if none is there
	Of       int          `json:"of"`    // files that are so
	All      int          `json:"all"`
	Expected bool         `json:"expected"`
}

type reelsSaid struct {
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

// reelsOf gathers the sides that are asked for, each with all its copies.
func reelsOf(ctx context.Context, a *app.App, f reels.Filter, now time.Time) (*reelsReport, error) {
	o, err := reels.Look(ctx, a.Ledger, func(t *ledger.Tx) (reels.Plan, error) {
		shelf, err := t.Discs.Any()
		return reels.PlanOf(a.Acts.Rules, shelf), err
	}, now)
	if err != nil {
		return nil, err
	}
	r := &reelsReport{archive: a.Config.Name, At: now, Reels: o.Items, Sides: o.Sides(), Counts: o.Counts, Rows: []reelsRow{}, columns: o.Plan.Columns, discs: o.Plan.Discs, access: o.Plan.Access, unsided: o.Unsided()}
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		r.Rows = r.Rows[:0]
		discs := map[int64]ledger.Disc{}
		all, err := t.Discs.All()
		if err != nil {
			return err
		}
		for _, d := range all {
			discs[d.ID] = d
		}
		read := reels.Reader{Plan: o.Plan}
		for _, k := range o.Keys(f) {
			s, ok, err := read.Side(t, k)
			if err != nil {
				return err
			}
			if ok {
				r.Rows = append(r.Rows, rowOf(o.Plan, s, discs))
			}
		}
		return nil
	})
	return r, err
}

func rowOf(p reels.Plan, s reels.Side, discs map[int64]ledger.Disc) reelsRow {
	r := reelsRow{Item: s.Item, Side: s.Side, Next: s.Next, Of: s.Of, Seconds: s.Length.Seconds(), Access: s.Access, Editing: s.Editing, Copy1: []string{}, Copy2: []string{}, order: s.Order()}
	if s.Next == reels.PutRight || s.Next == reels.Decide {
		for _, f := range s.Findings {
			r.Findings = append(r.Findings, f.ID)
		}
	}
	if len(s.Files) > 0 {
		whole := !s.Unfinished
		r.Transferred, r.Whole = &s.Transferred, &whole
	}
	for i, x := range s.Cells {
		r.Stores = append(r.Stores, reelsStore{p.Columns[i].Role, p.Columns[i].Store, x.State, x.Of, x.All, x.Expected})
	}
	for _, id := range s.Discs {
		if d := discs[id]; d.Twin == "" || d.Twin == "A" {
			r.Copy1 = append(r.Copy1, d.Name())
		} else {
			r.Copy2 = append(r.Copy2, d.Name())
		}
	}
	if x := s.Says; x != nil {
		r.Register = &reelsSaid{x.Line, x.Title, x.Base, x.Condition, s.Treatment(), x.Hazard, x.Priority, string(x.Playable), s.Once}
	}
	return r
}

// cells are a row as texts: of what the terminal and a spreadsheet show.
func (r *reelsReport) cells(x reelsRow, now time.Time) []string {
	next := x.order
	if len(x.Findings) > 0 {
		next += fmt.Sprintf(" (%s %d)", "finding", x.Findings[0])
	}
	out := []string{x.Item, x.Side, next, clock(x.Seconds)}
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
	said := reelsSaid{}
	if x.Register != nil {
		said = *x.Register
	}
	again := ""
	if said.CannotRepeat {
		again = "can't be transferred again"
	}
	return append(out, said.Title, said.Base, said.Condition, said.Treatment, said.Hazard, said.Priority, again)
}

func (r *reelsReport) heads() []string {
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

// clock is a length as 31:52; "" if it isn't known.
func clock(seconds float64) string {
	d := time.Duration(seconds * float64(time.Second)).Round(time.Second)
	switch {
	case d <= 0:
		return ""
	case d < time.Hour:
		return fmt.Sprintf("%d:%02d", d/time.Minute, d/time.Second%60)
	}
	return fmt.Sprintf("%d:%02d:%02d", d/time.Hour, d/time.Minute%60, d/time.Second%60)
}
