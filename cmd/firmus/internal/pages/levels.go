package pages

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	matrix "firmus/cmd/firmus/internal/levels"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
)

var levelRoutes = []site.Route{
	{Pattern: "GET /record/levels", Needs: fixity.Reviewer, Do: levelsPage},
	{Pattern: "POST /record/levels/state", Needs: fixity.Reviewer, Do: stateLevel},
	{Pattern: "POST /record/levels/{id}/withdraw", Needs: fixity.Reviewer, Do: withdrawLevel},
}

// levelRow is an area with the level that it has reached.
type levelRow struct {
	Area    matrix.Area
	Reached string
}

func levelRows(l statements.Levels) (out []levelRow) {
	for _, a := range matrix.Areas {
		out = append(out, levelRow{a, l.Reached(a)})
	}
	return out
}

type levelsData struct {
	statements.Levels
	Rows   []levelRow
	May    []matrix.Point // that may be stated
	Today  string
	Person site.Asks
}

// levelsPage says which preservation levels are kept, and by what that is known.
func levelsPage(q *site.Request) error {
	e := q.Site.Archive
	l, err := statements.MakeLevels(q.Context(), e.Ledger, q.Site.Name, e.Now())
	if err != nil {
		return err
	}
	d := levelsData{Levels: l, Rows: levelRows(l), Today: e.Now().Local().Format(time.DateOnly), Person: q.Asks()}
	for _, p := range matrix.Points {
		if p.Stated() || p.MayBeStated() {
			d.May = append(d.May, p)
		}
	}
	return q.Render("levels", "Preservation levels", d)
}

func stateLevel(q *site.Request) error {
	point, day, words := q.Field("point"), q.Field("day"), q.Field("words")
	return q.Act("State a point of the preservation levels", func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		_, err := deciding.Of(a).StateLevel(ctx, point, day, words)
		return site.Outcome{See: "/record/levels"}, err
	})
}

func withdrawLevel(q *site.Request) error {
	id, err := strconv.ParseInt(q.PathValue("id"), 10, 64)
	if err != nil {
		return fixity.ErrNotFound
	}
	reason, err := q.Reason()
	if err != nil {
		return err
	}
	return q.Act(fmt.Sprintf("Withdraw statement %d", id), func(ctx context.Context, a *archive.Archive) (site.Outcome, error) {
		return site.Outcome{See: "/record/levels"}, deciding.Of(a).WithdrawLevel(ctx, id, reason)
	})
}
