package record

import (
	"database/sql"
	"fmt"
	"maps"
	"math"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
)

// Between calls each for the events from one time on and before another, in order; a zero
// time is no limit, and no verbs are all. each may ask the ledger: no cursor is open then.
func (t Log) Between(since, until time.Time, verbs []fixity.Verb, each func(Event) error) error {
	from, to := int64(math.MinInt64), int64(math.MaxInt64)
	if !since.IsZero() {
		from = nanos(since)
	}
	if !until.IsZero() {
		to = nanos(until)
	}
	const page = 1000
	args, which := []any{int64(0), from, to, page}, ``
	if len(verbs) > 0 {
		var in []string
		for _, v := range verbs {
			args = append(args, string(v))
			in = append(in, fmt.Sprintf("$%d", len(args)))
		}
		which = ` AND verb IN (` + strings.Join(in, ", ") + `)`
	}
	for seq := int64(0); ; {
		args[0] = seq
		got, err := t.where(`seq >= $1 AND at >= $2 AND at < $3`+which+` ORDER BY seq LIMIT $4`, each, args...)
		if err != nil || len(got) < page {
			return err
		}
		seq = got[len(got)-1].Seq + 1
	}
}

// LinesOf are the result lines that an event accounts for, in the order they were written;
// none where they were lost with an earlier ledger.
func (t Log) LinesOf(seq int64) ([]Line, error) {
	var out []Line
	err := t.rows(`SELECT lines FROM reading WHERE event = $1 AND n >= 0 ORDER BY id`, []any{seq}, func(r *sql.Rows) error {
		var b []byte
		if err := r.Scan(&b); err != nil {
			return err
		}
		var err error
		out, err = appendLines(out, b)
		return err
	})
	return out, err
}

// linesAbout finds the readings that may be about the files of a run of numbers.
const linesAbout = `SELECT id FROM reading WHERE low <= $2 AND high >= $1 AND event >= 0`

// LinesAbout are the result lines about some files, by the event that accounts for them.
func (t Log) LinesAbout(files map[int64]bool) (map[int64][]Line, error) {
	may := map[int64]bool{} // readings
	ids := slices.Sorted(maps.Keys(files))
	for i := 0; i < len(ids); {
		n := i + 1
		for n < len(ids) && ids[n] == ids[n-1]+1 {
			n++
		}
		if err := t.rows(linesAbout, []any{ids[i], ids[n-1]}, func(r *sql.Rows) error {
			var id int64
			err := r.Scan(&id)
			may[id] = true
			return err
		}); err != nil {
			return nil, err
		}
		i = n
	}
	out := map[int64][]Line{}
	var lines []Line
	for _, id := range slices.Sorted(maps.Keys(may)) {
		var event int64
		var packed []byte
		if err := t.row(`SELECT event, lines FROM reading WHERE id = $1`, []any{id}, &event, &packed); err != nil {
			return nil, err
		}
		var err error
		if lines, err = appendLines(lines[:0], packed); err != nil {
			return nil, err
		}
		for _, l := range lines {
			if files[l.File] {
				out[event] = append(out[event], l)
			}
		}
	}
	return out, nil
}
