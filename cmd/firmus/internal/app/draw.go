package app

import (
	"cmp"
	"errors"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// drawDiscs has the discs of each month drawn, so that the weekly letter and the pages say
// which ones are to be read.
func (s *parts) drawDiscs() {
	drawn, said := "", ""
	for s.ctx.Err() == nil {
		if month := s.now().UTC().Format("2006-01"); month != drawn {
			any := false
			err := s.a.Ledger.View(s.ctx, func(t *ledger.Tx) (err error) { any, err = t.Discs.Any(); return err })
			if err == nil && any {
				_, err = s.a.Discs.Draw(s.ctx, 0)
			}
			switch {
			case err == nil:
				if any { // else discs may be registered in the course of the month
					drawn = month
				}
				said = ""
			case s.ctx.Err() == nil && !errors.Is(err, fixity.ErrBusy) && err.Error() != said:
				said = err.Error()
				s.log.Warn("the month's discs could not be drawn; tried again", "error", err)
			}
		}
		s.pause(cmp.Or(s.d.o.Beat, recordEvery))
	}
}
