package pages

import (
	"context"
	"fmt"
	"net/url"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
)

var retireRoutes = []route{
	{"GET /retire", fixity.Reviewer, retirePage},
	{"POST /retire", fixity.Reviewer, retireFilesAct},
	{"GET /migrate", fixity.Reviewer, migratePage},
	{"POST /migrate", fixity.Reviewer, migrateAct},
}

// unasked is how many files are ended without typing how many they are.
const unasked = care.IncidentLeast

type retireData struct {
	What   string // SET/PATH that was asked for; "" if nothing was yet
	Sets   []string
	Plan   *deciding.RetirePlan
	Files  []string // the first of them
	Last   []string // of whose bytes no other file under care has an intact copy
	Rely   []string // files that stay, and have no intact copy of their own
	More   int
	Many   bool // the number has to be typed
	Two    bool
	Person asks
}

// names are the first of some files, and how many there are besides.
func names(refs []deciding.FileRef) (out []string, more int) {
	for _, r := range refs[:min(len(refs), perPage)] {
		out = append(out, r.Set+"/"+r.Path)
	}
	return out, max(0, len(refs)-perPage)
}

// setOf is the set that a SET/PATH is in.
func setOf(ref string) string {
	set, _, _ := strings.Cut(ref, "/")
	return set
}

// retirePage shows what retiring would end, and asks for it then.
func retirePage(q *request) error {
	d := retireData{What: strings.TrimSpace(q.URL.Query().Get("what")), Sets: q.s.o.Archive.Rules.SetNames(), Person: q.asks()}
	if d.What != "" {
		p, err := deciding.Of(q.s.o.Archive).Retire(q.Context(), deciding.RetireOrder{Paths: []string{d.What}, DryRun: true})
		if err != nil {
			return err
		}
		d.Plan, d.Many, d.Two = &p, len(p.Files) > unasked, deciding.Of(q.s.o.Archive).SetAsksForTwo(setOf(d.What))
		d.Files, d.More = names(p.Files)
		d.Last, _ = names(p.LastBytes)
		for _, r := range p.Relying[:min(len(p.Relying), perPage)] {
			d.Rely = append(d.Rely, r.Set+"/"+r.Path)
		}
	}
	return q.render("retire", "Retire files", d)
}

// shownMany compares a form about files with what was shown, and the number that was typed
// with theirs.
func (q *request) shownMany(n int, mark string) error {
	typed, err := q.typed("files")
	switch saw := q.field("all"); {
	case err != nil:
		return err
	case saw == "":
		return incomplete
	case saw != mark:
		return fmt.Errorf("other files lie there than were shown, %s now, or their copies have changed: %w", fixity.Number(int64(n)), fixity.ErrChangedMeanwhile)
	case n > unasked && typed != int64(n):
		return refused(fmt.Sprintf("You typed %s, and these are %s. Nothing was done.", fixity.Number(typed), fixity.Count(n, "file")))
	}
	return nil
}

func retireFilesAct(q *request) error {
	what := q.field("what")
	p, err := deciding.Of(q.s.o.Archive).Retire(q.Context(), deciding.RetireOrder{Paths: []string{what}, DryRun: true})
	if err != nil {
		return err
	}
	if err := q.shownMany(len(p.Files), p.Shown()); err != nil {
		return err
	}
	if len(p.LastBytes) > 0 && !q.ticked("last") {
		return refused("No intact copy of another file under care has the bytes of " + fixity.Count(len(p.LastBytes), "file") + ". Tick the box that says that you know. Nothing was done.")
	}
	reason, err := q.reason()
	if err != nil {
		return err
	}
	o := deciding.RetireOrder{Paths: []string{what}, Reason: reason, SawAll: p.Saw, Ends: p.Ends()}
	return q.act("Retire "+shown(what), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Retire: &o})
		if err != nil || d.Retired == nil {
			return decided(d, ""), err
		}
		b := sheet.Block{}
		var more int
		if b.List, more = names(d.Retired.Files); more > 0 {
			b.Lines = []string{fmt.Sprintf("and %s more", fixity.Number(int64(more)))}
		}
		return outcome{Lead: fixity.Counted(len(d.Retired.Files), "file", "is", "are") + " retired: expected nowhere any more. Nothing was deleted.", Blocks: []sheet.Block{b}, Links: []link{{"/work", "Back to work"}}}, nil
	})
}

type migrateData struct {
	Under, From, To string
	Plan            *deciding.Migration
	Pairs           []deciding.Pair
	Alone           []string
	More            int
	Many, Two       bool
	Person          asks
}

// migratePage shows which files would take the places of which, and asks for it then.
func migratePage(q *request) error {
	v := q.URL.Query()
	d := migrateData{Under: strings.TrimSpace(v.Get("under")), From: v.Get("from"), To: v.Get("to"), Person: q.asks()}
	if d.Under != "" {
		m, err := deciding.Of(q.s.o.Archive).PlanMigration(q.Context(), d.Under, d.From, d.To)
		if err != nil {
			return err
		}
		d.Plan, d.Many, d.Two = &m, len(m.Pairs) > unasked, deciding.Of(q.s.o.Archive).SetAsksForTwo(setOf(d.Under))
		d.Pairs, d.More = m.Pairs[:min(len(m.Pairs), perPage)], max(0, len(m.Pairs)-perPage)
		d.Alone, _ = names(m.Alone)
	}
	return q.render("migrate", "Migrate files", d)
}

func migrateAct(q *request) error {
	under, from, to := q.field("under"), q.field("from"), q.field("to")
	m, err := deciding.Of(q.s.o.Archive).PlanMigration(q.Context(), under, from, to)
	if err != nil {
		return err
	}
	if err := q.shownMany(len(m.Pairs), m.Saw); err != nil {
		return err
	}
	reason, err := q.reason()
	if err != nil {
		return err
	}
	return q.watched("Migrate "+shown(under), func(ctx context.Context, a *archive.Archive, x *job) (outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Replace: &deciding.ReplaceOrder{Pairs: m.Pairs, Reason: reason, SawAll: m.Saw, Done: x.deals}})
		if err != nil || d.Proposal != 0 {
			return decided(d, ""), err
		}
		t := sheet.Table{Head: []string{"was", "is now"}}
		for _, r := range d.Replaced[:min(len(d.Replaced), perPage)] {
			t.Rows = append(t.Rows, []string{r.Old.Set + "/" + r.Old.Path, r.New.Set + "/" + r.New.Path})
		}
		return outcome{Lead: fixity.Counted(len(d.Replaced), "file", "was", "were") + " replaced: each pair was read in full and holds the same samples. Nothing was deleted.",
			Blocks: []sheet.Block{{Table: &t}}, Links: []link{{"/migrate?under=" + url.QueryEscape(under), "Back"}}}, nil
	})
}
