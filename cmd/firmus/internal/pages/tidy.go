package pages

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

var tidyRoutes = []route{
	{"POST /stores/{name}/kept", fixity.Technician, keptAct},
	{"POST /stores/{name}/tidy", fixity.Reviewer, tidyAct},
}

// mostKept is how many kept files are listed.
const mostKept = 500

// keptAct lists what is kept in a store in whose place an intact file was put. It looks into
// the store, so it is an order and no page.
func keptAct(q *request) error {
	rule, err := q.store()
	if err != nil {
		return err
	}
	if !q.mayKnowAll() {
		return errRestricted
	}
	return q.act("What is kept in "+rule.Name, func(ctx context.Context, a *archive.Archive) (outcome, error) {
		kept, err := recovering.Of(a).Kept(ctx, rule.Name)
		if err != nil {
			return outcome{}, err
		}
		out := outcome{Lead: "Nothing is kept there.", Links: []link{{pathOf(rule.Name), "Back to the store"}}}
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
			out.Links = append([]link{{pathOf(rule.Name) + "?kept=" + recovering.MarkOfKept(kept) + "#tidy", "Remove those that may be removed"}}, out.Links...)
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
func tidyAct(q *request) error {
	name, reason, err := q.storeAct(false)
	if err != nil {
		return err
	}
	typed, err := q.typed("files")
	if err != nil {
		return err
	}
	saw := q.field("saw")
	if saw == "" {
		return refused("List first what is kept, and go on from the list. Nothing was done.")
	}
	return q.act("Remove what is kept in "+name, func(ctx context.Context, a *archive.Archive) (outcome, error) {
		kept, err := recovering.Of(a).Kept(ctx, name)
		if err != nil {
			return outcome{}, err
		}
		if n, _ := offered(kept); int64(n) != typed || n == 0 {
			return outcome{}, refused(fmt.Sprintf("%s be removed, and you typed %s. Nothing was done. List what is kept first.", fixity.Count(n, "file")+" may", fixity.Number(typed)))
		}
		removed, err := recovering.Of(a).Tidy(ctx, name, reason, saw)
		if err != nil {
			return outcome{}, err
		}
		return outcome{Lead: fixity.Counted(len(removed), "file", "was", "were") + " removed.", Links: []link{{pathOf(name), "Back to the store"}},
			Blocks: []sheet.Block{keptTable(removed, func(recovering.KeptFile) string { return "removed" })}}, nil
	})
}
