package pages

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

// intakeAct takes in what has arrived, without waiting until it has settled.
func intakeAct(q *site.Request) error {
	return q.Watched("Take in what has arrived", func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		x.Then("Today shows what arrived.")
		in, err := receiving.Of(a).Intake(ctx, receiving.IntakeOrder{Found: func(n int64) { x.Expects(n, 0) }})
		if err != nil {
			return site.Outcome{}, err
		}
		out := site.Outcome{Lead: fmt.Sprintf("%s taken under care, %s.", fixity.Counted(in.Taken, "file", "is", "are"), report.Size(in.Bytes)), Links: append(site.FindingLinks(in.Findings), site.Link{Path: "/", Text: "To Today"})}
		if in.Taken == 0 {
			out.Lead = "Nothing new was there to take in."
		}
		b := sheet.Block{}
		fact := func(name string, n int64) {
			if n > 0 {
				b.Facts = append(b.Facts, [2]string{name, fixity.Count(n, "file")})
			}
		}
		fact("a second store, or a list beside them, agrees", in.Agreed)
		fact("known from one place only", in.OneOnly)
		fact("disputed: a person decides", in.Disputed)
		fact("not whole recordings", in.Unfinished)
		if len(b.Facts) > 0 {
			out.Blocks = append(out.Blocks, b)
		}
		if len(in.Trouble) > 0 {
			out.Lead = "Not all could be taken in. What is wrong stands below; the next intake tries again."
		}
		out.Blocks = append(out.Blocks, troubleOf(in)...)
		return out, nil
	})
}

// troubleOf is what an intake has to say besides what it took in.
func troubleOf(in receiving.IntakeResult) (out []sheet.Block) {
	if len(in.Trouble) > 0 {
		out = append(out, sheet.Block{Title: "What went wrong", Lines: in.Trouble})
	}
	if len(in.Warnings) > 0 {
		out = append(out, sheet.Block{Title: "To know", Lines: in.Warnings})
	}
	return out
}
