package pages

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

var tidyRoutes = []site.Route{
	{Pattern: "POST /stores/{name}/kept", Needs: fixity.Technician, Do: keptAct},
	{Pattern: "POST /stores/{name}/tidy", Needs: fixity.Reviewer, Do: tidyAct},
}

// mostKept is how many kept files are listed.
const mostKept = 500

// keptAct lists what is kept in a store in whose place an intact file was put. It looks into
// the store, so it is an order and no page.
func keptAct(q *site.Request) error {
	rule, err := storeOf(q)
	if err != nil {
		return err
	}
	if !q.MayKnowAll() {
		return site.ErrRestricted
	}
	return q.Act("What is kept in "+rule.Name, func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		kept, err := recovering.Of(a).Kept(ctx, rule.Name)
		if err != nil {
			return site.Outcome{}, err
		}
		out := site.Outcome{Lead: "Nothing is kept there.", Links: []site.Link{{Path: pathOf(rule.Name), Text: "Back to the store"}}}
		if len(kept) == 0 {
			return out, nil
		}
		n, bytes := offered(kept)
		out.Lead = fmt.Sprintf("%s kept. %s be removed: %s.", fixity.Counted(len(kept), "file", "is", "are"), fixity.Count(n, "file")+" may", report.Size(bytes))
		out.Blocks = []sheet.Block{keptTable(kept, func(k recovering.KeptFile) string {
			switch {
			case k.Offered:
				return "may be removed"
			case k.Since.IsZero():
				return "its finding hasn't ended"
			}
			return "may be removed from " + report.Day(k.Since.Add(recovering.KeptFor), a.Now()) + " on"
		})}
		if n > 0 {
			out.Links = append([]site.Link{{Path: pathOf(rule.Name) + "?kept=" + recovering.MarkOfKept(kept) + "#tidy", Text: "Remove those that may be removed"}}, out.Links...)
		}
		return out, nil
	})
}

func offered(kept []recovering.KeptFile) (n int, bytes int64) {
	for _, k := range kept {
		if k.Offered {
			n, bytes = n+1, bytes+k.Size
		}
	}
	return n, bytes
}

func keptTable(kept []recovering.KeptFile, word func(recovering.KeptFile) string) sheet.Block {
	t := sheet.Table{Head: []string{"file", "size", "is"}}
	for i, k := range kept {
		if i == mostKept {
			t.Rows = append(t.Rows, []string{fmt.Sprintf("and %s more", fixity.Count(len(kept)-i, "file")), "", ""})
			break
		}
		t.Rows = append(t.Rows, []string{k.Path, report.Size(k.Size), word(k)})
	}
	return sheet.Block{Table: &t}
}

// tidyAct removes the kept files that may be removed, once their number was typed.
func tidyAct(q *site.Request) error {
	name, reason, err := storeAct(q, false)
	if err != nil {
		return err
	}
	typed, err := q.Typed("files")
	if err != nil {
		return err
	}
	saw := q.Field("saw")
	if saw == "" {
		return site.Refused("List first what is kept, and go on from the list. Nothing was done.")
	}
	return q.Act("Remove what is kept in "+name, func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		kept, err := recovering.Of(a).Kept(ctx, name)
		if err != nil {
			return site.Outcome{}, err
		}
		if n, _ := offered(kept); int64(n) != typed || n == 0 {
			return site.Outcome{}, site.Refused(fmt.Sprintf("%s be removed, and you typed %s. Nothing was done. List what is kept first.", fixity.Count(n, "file")+" may", fixity.Number(typed)))
		}
		removed, err := recovering.Of(a).Tidy(ctx, name, reason, saw)
		if err != nil {
			return site.Outcome{}, err
		}
		return site.Outcome{Lead: fixity.Counted(len(removed), "file", "was", "were") + " removed.", Links: []site.Link{{Path: pathOf(name), Text: "Back to the store"}},
			Blocks: []sheet.Block{keptTable(removed, func(recovering.KeptFile) string { return "removed" })}}, nil
	})
}
