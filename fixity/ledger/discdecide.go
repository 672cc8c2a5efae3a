package ledger

import (
	"database/sql"
	"errors"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// DiscDecision is one decision of a person for all discs that were changed alike on
// the way, those that are yet to be checked too.
type DiscDecision struct {
	ID      int64
	Verdict fixity.DiscVerdict
	Class   care.DiscClass
	Reason  string
	By      string
	At      time.Time
}

// Covers says that a check is of the class that was decided on: every sector is what was
// burned but for its level, and that is the one that was decided on. A disc about which two people
// decide is of none: each of its findings has to be settled by both.
func (d DiscDecision) Covers(c DiscCheck) bool {
	return c.Verdict == d.Verdict && c.Levelled && !c.Two && (d.Class.AnyGain || c.Changed && d.Class.Covers(c.Gain))
}

// Decisions are all decisions, the newest first.
func (t Discs) Decisions() ([]DiscDecision, error) {
	return list(t.Tx, `SELECT id, verdict, gain, within, reason, by_name, at FROM disc_decision ORDER BY id DESC`, nil, func(r row) (DiscDecision, error) {
		var d DiscDecision
		var verdict string
		var gain sql.NullInt64
		var within, at int64
		err := r.Scan(&d.ID, &verdict, &gain, &within, &d.Reason, &d.By, &at)
		d.Verdict, d.At = fixity.DiscVerdict(verdict), fromNanos(at)
		d.Class.Gain, d.Class.AnyGain, d.Class.Within = fromMilli(gain.Int64), !gain.Valid, fromMilli(within)
		return d, err
	})
}

// Covered are the discs on the shelf whose newest check a decision covers, in the
// order of their numbers.
func (t Discs) Covered(d DiscDecision) ([]Disc, error) {
	all, err := t.All()
	if err != nil {
		return nil, err
	}
	var out []Disc
	for _, x := range all {
		c, err := t.LastCheck(x.ID)
		if errors.Is(err, fixity.ErrNotFound) {
			continue
		}
		if err != nil {
			return nil, err
		}
		if d.Covers(c) {
			out = append(out, x)
		}
	}
	return out, nil
}

// Decide records a decision and settles what is open of its class.
func (t Discs) Decide(d DiscDecision) (DiscDecision, error) {
	var err error
	if d.ID, err = t.NextID("disc_decision"); err != nil {
		return d, err
	}
	d.At = t.now
	var gain any
	data := map[string]any{"decision": d.ID, "verdict": d.Verdict, "within": d.Class.Within}
	if !d.Class.AnyGain {
		gain, data["gain"] = milli(d.Class.Gain), d.Class.Gain
	}
	if _, err := t.exec(`INSERT INTO disc_decision (id, verdict, gain, within, reason, by_name, at) VALUES ($1, $2, $3, $4, $5, $6, $7)`,
		d.ID, string(d.Verdict), gain, milli(d.Class.Within), d.Reason, d.By, nanos(d.At)); err != nil {
		return d, err
	}
	discs, err := t.Covered(d)
	if err != nil {
		return d, err
	}
	names := []string{}
	for _, x := range discs {
		names = append(names, x.Name())
		open, err := t.Findings.where(`WHERE carrier = $1 AND carrier <> 0 AND settled = '' ORDER BY id`, x.ID)
		if err != nil {
			return d, err
		}
		for _, f := range open {
			if f.Kind == fixity.Fading {
				continue
			}
			if err := t.Findings.Settle(f, fixity.ByPerson, d.By, d.Reason); err != nil {
				return d, err
			}
		}
	}
	data["discs"] = names
	t.Event(Event{Verb: fixity.DiscDecided, By: d.By, Reason: d.Reason, Data: data})
	return d, nil
}
