package pages

import (
	"context"
	"fmt"
	"strconv"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/deciding"
	matrix "firmus/cmd/firmus/internal/levels"
	"firmus/cmd/firmus/internal/statements"
	"firmus/fixity"
)

var levelRoutes = []route{
	{"GET /record/levels", fixity.Reviewer, levelsPage},
	{"POST /record/levels/state", fixity.Reviewer, stateLevel},
	{"POST /record/levels/{id}/withdraw", fixity.Reviewer, withdrawLevel},
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
	Person asks
}

// levelsPage says which preservation levels are kept, and by what that is known.
func levelsPage(q *request) error {
	e := q.s.o.Archive
	l, err := statements.MakeLevels(q.Context(), e.Ledger, q.s.o.Name, e.Now())
	if err != nil {
		return err
	}
	d := levelsData{Levels: l, Rows: levelRows(l), Today: e.Now().Local().Format(time.DateOnly), Person: q.asks()}
	for _, p := range matrix.Points {
		if p.Stated() || p.MayBeStated() {
			d.May = append(d.May, p)
		}
	}
	return q.render("levels", "Preservation levels", d)
}

func stateLevel(q *request) error {
	point, day, words := q.field("point"), q.field("day"), q.field("words")
	return q.act("State a point of the preservation levels", func(ctx context.Context, a *archive.Archive) (outcome, error) {
		_, err := deciding.Of(a).StateLevel(ctx, point, day, words)
		return outcome{See: "/record/levels"}, err
	})
}

func withdrawLevel(q *request) error {
	id, err := strconv.ParseInt(q.PathValue("id"), 10, 64)
	if err != nil {
		return fixity.ErrNotFound
	}
	reason, err := q.reason()
	if err != nil {
		return err
	}
	return q.act(fmt.Sprintf("Withdraw statement %d", id), func(ctx context.Context, a *archive.Archive) (outcome, error) {
		return outcome{See: "/record/levels"}, deciding.Of(a).WithdrawLevel(ctx, id, reason)
	})
}
