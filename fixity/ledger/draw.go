package ledger

import (
	"time"

	"firmus/fixity"
)

// Draw is that a disc was drawn by chance, to be read in a month.
type Draw struct {
	Month string // "2026-11"
	Round int64  // from 1; in a round nothing is drawn twice
	Disc  int64
	At    time.Time
}

// Draws are all draws, in the order of rounds and months.
func (t Discs) Draws() ([]Draw, error) {
	return list(t.Tx, `SELECT month, round, disc, at FROM disc_draw ORDER BY round, month, disc`, nil, func(r row) (d Draw, err error) {
		var at int64
		err = r.Scan(&d.Month, &d.Round, &d.Disc, &at)
		d.At = fromNanos(at)
		return d, err
	})
}

// Drawn records that discs were drawn for a month in a round.
func (t Discs) Drawn(month string, round int64, discs []Disc, by string) error {
	names := []string{}
	for _, d := range discs {
		if _, err := t.exec(`INSERT INTO disc_draw (month, round, disc, at) VALUES ($1, $2, $3, $4)`, month, round, d.ID, nanos(t.now)); err != nil {
			return err
		}
		names = append(names, d.Name())
	}
	t.Event(Event{Verb: fixity.DiscsDrawn, By: by, Data: map[string]any{"month": month, "round": round, "discs": names}})
	return nil
}
