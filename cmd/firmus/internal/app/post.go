package app

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
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
// them, fills the outbox from the record and sends what waits, until the session ends.
func (s *session) followRecord() {
	next, last, trouble := int64(-1), time.Time{}, ""
	often, every := follow, postEvery
	if s.d.o.Follow > 0 {
		often = s.d.o.Follow
	}
	if s.d.o.Again > 0 {
		every = s.d.o.Again
	}
	for s.ctx.Err() == nil {
		events := int64(0)
		err := s.a.Ledger.View(s.ctx, func(t *ledger.Tx) (err error) { events, err = t.EventCount(); return err })
		if err == nil && events < next {
			s.log.Error("the record is shorter than it was: the ledger was exchanged under the daemon", "events", events, "before", next)
			next = 0
		}
		if err == nil && next >= 0 && events > next {
			err = s.logFindings(next)
		}
		if err == nil && s.letters != nil && (events != next || time.Since(last) >= every) {
			last = time.Now()
			err = s.postOnce(s.ctx)
		}
		if err == nil {
			next = events
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
		case <-time.After(often):
		}
	}
}

// mostLogged is how many findings are logged one by one at a time.
const mostLogged = 20

func (s *session) logFindings(from int64) error {
	return s.a.Ledger.View(s.ctx, func(t *ledger.Tx) error {
		var turns []ledger.Event
		if err := t.Events(from, 10_000, func(e ledger.Event) error {
			if e.Verb == fixity.FindingOpened || e.Verb == fixity.FindingRaised {
				turns = append(turns, e)
			}
			return nil
		}); err != nil {
			return err
		}
		for _, e := range turns[:min(len(turns), mostLogged)] {
			f, err := t.Finding(e.Finding)
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

func (s *session) postOnce(ctx context.Context) error {
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
func (s *session) letterOptions(o *letters.Options) {
	o.Missed = s.missed
	o.Notes = s.notes
}

// missed are the times of a store's schedule that were not kept.
func (s *session) missed(ctx context.Context, store string, from, to time.Time) ([]letters.Missed, error) {
	var fs []ledger.Firing
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { fs, err = t.Firings(from.Add(-48 * time.Hour)); return err }); err != nil {
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

// soon is how long before the last day a visit is asked for.
const soon = 21 * 24 * time.Hour

// notes are what runs out, and what the forecasts say.
func (s *session) notes(context.Context) ([]letters.Note, error) {
	out := runningOut(s.a.Config, time.Now())
	for _, st := range s.a.Config.Stores {
		o, ok := s.survey.of(st.Name)
		if !ok || o.Forecast.Broken.IsZero() {
			continue
		}
		day := o.Forecast.Broken.Format("Mon 2 January")
		text := fmt.Sprintf("%s: what was promised to be read will not have been by %s if nothing changes", st.Name, day)
		if st.Visiting {
			if time.Until(o.Forecast.Broken) > soon {
				continue // the table says by when it is expected
			}
			text = fmt.Sprintf("%s must come by %s for what was promised to be read", st.Name, day)
		}
		if o.Forecast.Broken.Before(time.Now()) {
			text = fmt.Sprintf("%s: the promise to read everything is broken since %s", st.Name, day)
		}
		out = append(out, letters.Note{Label: "Foreseen", Text: text})
	}
	return out, nil
}

// runningOut is what ends on a day that is known.
func runningOut(c *config.Config, now time.Time) []letters.Note {
	var ends []string
	for _, st := range c.Stores {
		if end := SignInEnds(st); !end.IsZero() {
			ends = append(ends, st.Name+" "+signInUntil(end, now))
		}
	}
	if len(ends) == 0 {
		return nil
	}
	return []letters.Note{{Label: "Running out", Text: strings.Join(ends, ". ")}}
}
