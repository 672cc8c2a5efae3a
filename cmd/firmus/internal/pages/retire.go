package pages

import (
	"context"
	"fmt"
	"net/url"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
)

var retireRoutes = []site.Route{
	{Pattern: "GET /retire", Needs: fixity.Reviewer, Do: retirePage},
	{Pattern: "POST /retire", Needs: fixity.Reviewer, Do: retireFilesAct},
	{Pattern: "GET /migrate", Needs: fixity.Reviewer, Do: migratePage},
	{Pattern: "POST /migrate", Needs: fixity.Reviewer, Do: migrateAct},
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
	Person site.Asks
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
func retirePage(q *site.Request) error {
	d := retireData{What: strings.TrimSpace(q.URL.Query().Get("what")), Sets: q.Site.Archive.Rules.SetNames(), Person: q.Asks()}
	if d.What != "" {
		p, err := deciding.Of(q.Site.Archive).Retire(q.Context(), deciding.RetireOrder{Paths: []string{d.What}, DryRun: true})
		if err != nil {
			return err
		}
		d.Plan, d.Many, d.Two = &p, len(p.Files) > unasked, deciding.Of(q.Site.Archive).SetAsksForTwo(setOf(d.What))
		d.Files, d.More = names(p.Files)
		d.Last, _ = names(p.LastBytes)
		for _, r := range p.Relying[:min(len(p.Relying), perPage)] {
			d.Rely = append(d.Rely, r.Set+"/"+r.Path)
		}
	}
	return q.Render("retire", "Retire files", d)
}

// shownMany compares a form about files with what was shown, and the number that was typed
// with theirs.
func shownMany(q *site.Request, n int, mark string) error {
	typed, err := q.Typed("files")
	switch saw := q.Field("all"); {
	case err != nil:
		return err
	case saw == "":
		return site.ErrIncomplete
	case saw != mark:
		return fmt.Errorf("other files lie there than were shown, %s now, or their copies have changed: %w", fixity.Number(int64(n)), fixity.ErrChangedMeanwhile)
	case n > unasked && typed != int64(n):
		return site.Refused(fmt.Sprintf("You typed %s, and these are %s. Nothing was done.", fixity.Number(typed), fixity.Count(n, "file")))
	}
	return nil
}

func retireFilesAct(q *site.Request) error {
	what := q.Field("what")
	p, err := deciding.Of(q.Site.Archive).Retire(q.Context(), deciding.RetireOrder{Paths: []string{what}, DryRun: true})
	if err != nil {
		return err
	}
	if err := shownMany(q, len(p.Files), p.Shown()); err != nil {
		return err
	}
	if len(p.LastBytes) > 0 && !q.Ticked("last") {
		return site.Refused("No intact copy of another file under care has the bytes of " + fixity.Count(len(p.LastBytes), "file") + ". Tick the box that says that you know. Nothing was done.")
	}
	reason, err := q.Reason()
	if err != nil {
		return err
	}
	o := deciding.RetireOrder{Paths: []string{what}, Reason: reason, SawAll: p.Saw, Ends: p.Ends()}
	return q.Act("Retire "+site.Shown(what), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Retire: &o})
		if err != nil || d.Retired == nil {
			return decided(d, ""), err
		}
		b := sheet.Block{}
		var more int
		if b.List, more = names(d.Retired.Files); more > 0 {
			b.Lines = []string{fmt.Sprintf("and %s more", fixity.Number(int64(more)))}
		}
		return site.Outcome{Lead: fixity.Counted(len(d.Retired.Files), "file", "is", "are") + " retired: expected nowhere any more. Nothing was deleted.", Blocks: []sheet.Block{b}, Links: []site.Link{{Path: "/work", Text: "Back to work"}}}, nil
	})
}

type migrateData struct {
	Under, From, To string
	Plan            *deciding.Migration
	Pairs           []deciding.Pair
	Alone           []string
	More            int
	Many, Two       bool
	Person          site.Asks
}

// migratePage shows which files would take the places of which, and asks for it then.
func migratePage(q *site.Request) error {
	v := q.URL.Query()
	d := migrateData{Under: strings.TrimSpace(v.Get("under")), From: v.Get("from"), To: v.Get("to"), Person: q.Asks()}
	if d.Under != "" {
		m, err := deciding.Of(q.Site.Archive).PlanMigration(q.Context(), d.Under, d.From, d.To)
		if err != nil {
			return err
		}
		d.Plan, d.Many, d.Two = &m, len(m.Pairs) > unasked, deciding.Of(q.Site.Archive).SetAsksForTwo(setOf(d.Under))
		d.Pairs, d.More = m.Pairs[:min(len(m.Pairs), perPage)], max(0, len(m.Pairs)-perPage)
		d.Alone, _ = names(m.Alone)
	}
	return q.Render("migrate", "Migrate files", d)
}

func migrateAct(q *site.Request) error {
	under, from, to := q.Field("under"), q.Field("from"), q.Field("to")
	m, err := deciding.Of(q.Site.Archive).PlanMigration(q.Context(), under, from, to)
	if err != nil {
		return err
	}
	if err := shownMany(q, len(m.Pairs), m.Saw); err != nil {
		return err
	}
	reason, err := q.Reason()
	if err != nil {
		return err
	}
	return q.Watched("Migrate "+site.Shown(under), func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		d, err := deciding.Of(a).Decide(ctx, deciding.Decision{Replace: &deciding.ReplaceOrder{Pairs: m.Pairs, Reason: reason, SawAll: m.Saw, Done: x.Deals}})
		if err != nil || d.Proposal != 0 {
			return decided(d, ""), err
		}
		t := sheet.Table{Head: []string{"was", "is now"}}
		for _, r := range d.Replaced[:min(len(d.Replaced), perPage)] {
			t.Rows = append(t.Rows, []string{r.Old.Set + "/" + r.Old.Path, r.New.Set + "/" + r.New.Path})
		}
		return site.Outcome{Lead: fixity.Counted(len(d.Replaced), "file", "was", "were") + " replaced: each pair was read in full and holds the same samples. Nothing was deleted.",
			Blocks: []sheet.Block{{Table: &t}}, Links: []site.Link{{Path: "/migrate?under=" + url.QueryEscape(under), Text: "Back"}}}, nil
	})
}
