package record

import (
	"database/sql"
	"math"
	"time"
)

// Between calls each for the events from one time on and before another, in order; a zero
// time is no limit. each may ask the ledger: no cursor is open then.
func (t Log) Between(since, until time.Time, each func(Event) error) error {
	from, to := int64(math.MinInt64), int64(math.MaxInt64)
	if !since.IsZero() {
		from = nanos(since)
	}
	if !until.IsZero() {
		to = nanos(until)
	}
	const page = 1000
	for seq := int64(0); ; {
		got, err := t.where(`seq >= $1 AND at >= $2 AND at < $3 ORDER BY seq LIMIT $4`, each, seq, from, to, page)
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

// LinesAbout are the result lines about some files, by the event that accounts for them.
func (t Log) LinesAbout(files map[int64]bool) (map[int64][]Line, error) {
	out := map[int64][]Line{}
	var lines []Line
	err := t.rows(`SELECT event, lines FROM reading WHERE event >= 0 AND n >= 0 ORDER BY id`, nil, func(r *sql.Rows) error {
		var event int64
		var b []byte
		if err := r.Scan(&event, &b); err != nil {
			return err
		}
		var err error
		lines, err = appendLines(lines[:0], b)
		for _, l := range lines {
			if files[l.File] {
				out[event] = append(out[event], l)
			}
		}
		return err
	})
	return out, err
}
