package ledger

import (
	"database/sql"
	"encoding/json"
	"fmt"
	"time"

	"firmus/fixity"
)

// Drill is a proof that files can be brought back from a store: some of its intact copies
// were copied elsewhere and held against their versions.
type Drill struct {
	Store  string        `json:"store"`
	At     time.Time     `json:"at"`
	Files  int64         `json:"files"`
	Proved int64         `json:"proved"` // that were the version
	Bytes  int64         `json:"bytes"`
	Took   time.Duration `json:"took_ns"`
	By     string        `json:"by"`
}

// Drilled records a drill.
func (t Copies) Drilled(d Drill) {
	t.Event(Event{Verb: fixity.Drilled, By: d.By, Store: d.Store, Data: map[string]any{"files": d.Files, "proved": d.Proved, "bytes": d.Bytes, "ns": int64(d.Took)}})
}

// LastDrill is a store's newest; fixity.ErrNotFound if there was none.
func (t Copies) LastDrill(store string) (Drill, error) {
	e, err := t.Log.Last(fixity.Drilled, store)
	if err != nil {
		return Drill{}, err
	}
	var told struct {
		Data struct{ Files, Proved, Bytes, NS int64 } `json:"data"`
	}
	if err := json.Unmarshal(e.Leaf(), &told); err != nil {
		return Drill{}, fmt.Errorf("event %d: %w", e.Seq, err)
	}
	x := told.Data
	return Drill{Store: e.Store, At: e.At, By: e.By, Files: x.Files, Proved: x.Proved, Bytes: x.Bytes, Took: time.Duration(x.NS)}, nil
}

// Spread are n of a store's intact copies, spread evenly over sets and over the order in
// which files came; turn begins elsewhere each time.
func (t Copies) Spread(store string, n int, turn int64) ([]Copy, error) {
	const intact = `store = $1 AND carrier = 0 AND state = 'intact' AND size > 0`
	var all int64
	if err := t.row(`SELECT count(*) FROM instance WHERE `+intact, []any{store}, &all); err != nil || all == 0 {
		return nil, err
	}
	var out []Copy
	for i := range min(int64(n), all) {
		at := (i*all/min(int64(n), all) + turn) % all
		if err := t.rows(`SELECT `+copyColumns+` FROM instance WHERE `+intact+` ORDER BY set_name, file LIMIT 1 OFFSET $2`, []any{store, at}, func(r *sql.Rows) error {
			c, err := scanCopy(r)
			out = append(out, c)
			return err
		}); err != nil {
			return nil, err
		}
	}
	return out, nil
}
