package app

import (
	"context"
	"fmt"
	"time"

	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity/ledger"
)

// hereEvery is how often it is looked at whether the ledger is still in its place.
const hereEvery = 2 * time.Second

// alarmAgain is how often an alarm is tried that no mail server has taken.
const alarmAgain = 5 * time.Minute

// guardLedger notices that the ledger was removed, replaced or unmounted under the
// daemon. From then on nothing is read from it or written (the ledger itself refuses),
// /readyz fails with the reason, and people are told past the outbox, which is gone too.
// It goes on by itself when the ledger is back, and asks for a new beginning when
// another ledger of the same holdings lies there. The daemon never makes a new one.
func (s *parts) guardLedger() {
	every := hereEvery
	if s.d.o.Follow > 0 {
		every = s.d.o.Follow
	}
	said, alarmed, tried := "", false, time.Time{}
	for s.ctx.Err() == nil {
		err := s.a.Ledger.Here()
		again := said != "" // the look before didn't find it either: one alone may be a drive that failed once
		switch {
		case err != nil && err.Error() != said:
			said = err.Error()
			s.log.Error("the ledger is gone: nothing is checked or recorded until it is back in its place", "error", err, "ledger", s.a.Ledger.Where())
		case err == nil && said != "":
			s.log.Info("the ledger is back in its place", "ledger", s.a.Ledger.Where())
			if alarmed {
				s.alarm("Firmus has its ledger again", "The ledger is back in its place: "+s.a.Ledger.Where()+".",
					"Firmus goes on. What was to be checked meanwhile is made up.", "There is nothing to do.")
			}
			said, alarmed, tried = "", false, time.Time{}
			s.survey.now() // it may have found that nothing can be written
		}
		if err != nil && again && !alarmed && time.Since(tried) >= alarmAgain {
			tried = time.Now()
			alarmed = s.alarm("URGENT: Firmus has lost its ledger", fmt.Sprintf("Firmus watches over nothing: %v.", err),
				"The recordings are not concerned, but nothing about them is checked, recorded or told until the ledger is back.",
				"Put back or mount the folder "+s.a.Config.State+", and Firmus goes on by itself. If it is lost: \"firmus ledger restore\" takes it from a backup.")
		}
		if err != nil && s.successor() {
			select {
			case s.d.again <- struct{}{}:
			default:
			}
			return
		}
		s.pause(every)
	}
}

// successor says that another ledger of the same holdings lies in the place of this one.
func (s *parts) successor() bool {
	ctx, cancel := context.WithTimeout(s.ctx, 5*time.Second)
	defer cancel()
	origin, err := ledger.OriginAt(ctx, s.a.Ledger.Where())
	return err == nil && origin == s.a.Ledger.Origin()
}

// alarm sends a letter at once and says whether any server took it.
func (s *parts) alarm(subject string, lead ...string) bool {
	if s.letters == nil {
		return false
	}
	ctx, cancel := context.WithTimeout(s.ctx, time.Minute)
	defer cancel()
	tried, err := s.letters.Alarm(ctx, subject, lead...)
	if err != nil {
		s.log.Error("an urgent letter could not be sent", "error", err)
	}
	return s.taken(tried)
}

func (s *parts) taken(tried []letters.Tried) (any bool) {
	for _, t := range tried {
		if t.Trouble != "" {
			s.log.Warn("an urgent letter was not taken", "trouble", t.Trouble)
			continue
		}
		any = true
	}
	return any
}
