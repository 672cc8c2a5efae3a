package app

import (
	"context"
	"errors"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// The record is followed every follow; letters are thought of when something was
// recorded, and else every postEvery.
const (
	follow    = 5 * time.Second
	postEvery = time.Minute
)

// followRecord logs the findings that were opened or became worse, whoever found
// them, fills the outbox from the record and sends what waits, until the parts
// stop. What was recorded in their last seconds is logged at the end, and the next ones
// go on from there: a finding is logged once, across every reload.
func (s *parts) followRecord() {
	thought, trouble := time.Time{}, ""
	often, every := follow, postEvery
	if s.d.o.Follow > 0 {
		often = s.d.o.Follow
	}
	if s.d.o.Again > 0 {
		every = s.d.o.Again
	}
	for {
		fresh, err := s.logRecord(s.ctx)
		if err == nil && fresh && s.a.Host != nil {
			s.a.Events.BringUp(false) // what other hosts recorded, too
		}
		if err == nil && fresh {
			var same bool
			if same, err = s.sameStores(s.ctx); err == nil && !same {
				select {
				case s.d.rules <- struct{}{}:
				default: // it is asked for already
				}
			}
		}
		if err == nil && s.letters != nil && s.a.Host == nil && (fresh || time.Since(thought) >= every) {
			thought = time.Now()
			err = s.postOnce(s.ctx)
		}
		if err == nil && s.letters != nil {
			err = s.letters.Settle(s.ctx)
		}
		if err != nil && !errors.Is(err, fixity.ErrBusy) && s.ctx.Err() == nil {
			if err.Error() != trouble {
				s.log.Error("the record can't be followed, or letters can't be written; tried again", "error", err)
			}
			trouble = err.Error()
		} else {
			trouble = ""
		}
		select {
		case <-s.ctx.Done():
			last, cancel := context.WithTimeout(context.WithoutCancel(s.ctx), stopWithin/4)
			defer cancel()
			if _, err := s.logRecord(last); err != nil {
				s.log.Warn("findings of the last seconds may not have been logged", "error", err)
			}
			return
		case <-time.After(often):
		}
	}
}

// logRecord logs the findings of what was recorded since the last call, of these
// parts or the ones before. It says whether anything was.
func (s *parts) logRecord(ctx context.Context) (fresh bool, err error) {
	var events int64
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { events, err = t.Log.Count(); return err }); err != nil {
		return false, err
	}
	from := s.d.followed.Load()
	if events < from {
		s.log.Error("the record is shorter than it was: the ledger was exchanged under the daemon", "events", events, "before", from)
		from = 0
	}
	if from >= 0 && events > from { // what a daemon finds when it starts was told before
		if err := s.logFindings(ctx, from, events); err != nil {
			return false, err
		}
	}
	s.d.followed.Store(events)
	return events != from, nil
}

// mostLogged is how many findings are logged one by one at a time.
const mostLogged = 20

func (s *parts) logFindings(ctx context.Context, from, to int64) error {
	return s.a.Ledger.View(ctx, func(t *ledger.Tx) error {
		var turns []ledger.Event
		if err := t.Log.Each(from, int(to-from), func(e ledger.Event) error {
			if e.Verb == fixity.FindingOpened || e.Verb == fixity.FindingRaised {
				turns = append(turns, e)
			}
			return nil
		}); err != nil {
			return err
		}
		for _, e := range turns[:min(len(turns), mostLogged)] {
			f, err := t.Findings.Get(e.Finding)
			if errors.Is(err, fixity.ErrNotFound) {
				continue // the record of a lost ledger was made this one's, and tells of it
			}
			if err != nil {
				return err
			}
			s.log.Warn("finding", "finding", f.ID, "kind", f.Kind, "urgency", f.Urgency, "store", f.Store, "set", f.Set, "turn", e.Verb)
		}
		if n := len(turns) - mostLogged; n > 0 {
			s.log.Warn("more findings; \"firmus findings\" lists them", "more", n)
		}
		return nil
	})
}

func (s *parts) postOnce(ctx context.Context) error {
	err := s.rightClock(ctx)
	s.tellClock(err)
	if err != nil {
		return err
	}
	n, err := s.letters.Fill(ctx)
	if err != nil {
		return err
	}
	if n > 0 {
		s.log.Info("letters written", "letters", n)
	}
	sent, err := s.letters.Send(ctx)
	if sent.Delivered > 0 {
		s.log.Info("letters sent", "delivered", sent.Delivered)
	}
	if sent.Deferred+sent.Refused > 0 {
		s.log.Warn("letters were not taken", "deferred", sent.Deferred, "refused", sent.Refused, "trouble", sent.Trouble)
	}
	return err
}

// letterOptions give letters what the schedule knows.
func (s *parts) letterOptions(o *letters.Options) {
	o.Missed = s.missed
	o.Notes = s.notes
}

// missed are the times of a store's schedule that were not kept.
func (s *parts) missed(ctx context.Context, store string, from, to time.Time) ([]letters.Missed, error) {
	var fs []ledger.Firing
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { fs, err = t.Clock.Since(from.Add(-48 * time.Hour)); return err }); err != nil {
		return nil, err
	}
	var out []letters.Missed
	for _, j := range s.runner.Jobs {
		if j.Store != store || j.Bad != nil {
			continue
		}
		for _, u := range j.Plan.Unkept(store, fs, from, to) {
			out = append(out, letters.Missed(u))
		}
	}
	return out, nil
}

// notes are what runs out, and what the forecasts say.
func (s *parts) notes(context.Context) ([]letters.Note, error) {
	out := runningOut(s.a.Config, s.now())
	for _, st := range s.a.Config.Stores {
		o, _ := s.survey.of(st.Name)
		if text := o.Foreseen(st, s.now()); text != "" {
			out = append(out, letters.Note{Label: "Foreseen", Text: text})
		}
	}
	record, err := s.recordNotes()
	return append(record, out...), err
}

// runningOut is what ends on a day that is known.
func runningOut(c *config.Config, now time.Time) []letters.Note {
	var ends []string
	for _, st := range c.Stores {
		if end := clouds.SignInEnds(st); !end.IsZero() {
			ends = append(ends, st.Name+" "+report.SignInUntil(end, now))
		}
	}
	if len(ends) == 0 {
		return nil
	}
	return []letters.Note{{Label: "Running out", Text: strings.Join(ends, ". ")}}
}
