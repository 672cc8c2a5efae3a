package app

import (
	"cmp"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
)

// recordEvery is how often it is looked at whether the record is to be checked today.
const recordEvery = 10 * time.Minute

// checkRecord has the whole record checked once a day. One that is not what was written is
// told past the outbox, which lies in the same database: at once, until a mail server has
// taken the letter, and again when something else is found. The weekly letter says it too.
func (s *parts) checkRecord() {
	said := ""
	told := s.toldOfRecord()
	var tried time.Time
	for s.ctx.Err() == nil {
		v, done, err := s.checkRecordOnce()
		switch {
		case s.ctx.Err() != nil:
			return
		case acts.IsBroken(err):
			s.log.Error("the record is not what was written", "error", err)
		case err != nil && err.Error() != said: // where the ledger is gone, guardLedger tells it
			said = err.Error()
			s.log.Warn("the record could not be checked", "error", err)
		case done && err == nil:
			said = ""
			s.log.Info("the record is what was written", "events", v.Events, "readings", v.Readings, "rows", v.Rows)
		}
		f, unknown := s.lastCheck()
		broken := ""
		if unknown == nil && f.Outcome == ledger.FiringBroken {
			broken = f.Trouble
		}
		if acts.IsBroken(err) {
			broken = cmp.Or(broken, err.Error()) // also where it could not be noted
		}
		switch {
		case broken == "" && told != "" && unknown == nil && f.Outcome == ledger.FiringDone:
			told = ""
			s.keepTold("")
		case broken != "" && broken != told && time.Since(tried) >= alarmAgain && s.letters != nil:
			free, err := s.alone("record-told")
			if errors.Is(err, fixity.ErrBusy) {
				break // another host tells it
			}
			tried = time.Now()
			if s.toldOfRecord() == broken {
				told = broken
			} else if s.alarm("URGENT: Firmus's record is not what was written", "The record of what was checked and decided was changed, or its database is damaged: "+report.Plainly(broken)+".",
				"The recordings are not concerned, but what Firmus says about them can't be trusted until this is cleared up.",
				"Change nothing. Keep a copy of the folder "+s.a.Config.State+" and the backups, and ask somebody qualified. \"firmus ledger verify\" says it again; \"firmus ledger restore\" takes the ledger from a backup.") {
				told = broken
				s.keepTold(told)
			}
			free()
		}
		s.pause(cmp.Or(s.d.o.Beat, recordEvery))
	}
}

// checkRecordOnce checks the record if that is due. Of hosts that share it one does.
func (s *parts) checkRecordOnce() (v ledger.Verified, done bool, err error) {
	free, err := s.alone("record-check")
	if errors.Is(err, fixity.ErrBusy) {
		return v, false, nil
	}
	defer free()
	return acts.Of(s.acts(false, false)).CheckRecordIfDue(s.ctx)
}

// alone takes a lock for what one of the hosts that share the ledger does; on a computer that
// shares it with none there is nobody to be kept out. An error that isn't fixity.ErrBusy says
// that the database doesn't answer: whoever asked does it then, rather than nobody.
func (s *parts) alone(name string) (free func(), err error) {
	if s.a.Host == nil {
		return func() {}, nil
	}
	if free, err = s.a.Ledger.LockOwn(s.ctx, name, "firmus serve", 0, s.now); err != nil {
		return func() {}, err
	}
	return free, nil
}

// toldFile keeps, in the state folder, what was told of the record: a daemon that is started
// anew doesn't tell the same again. It is no row of the ledger, which isn't to be trusted then.
// Hosts that share a ledger have a row besides (ledger.FiringTold), or each would tell the same.
const toldFile = "record-told"

// toldOfRecord is what was told last; "" nothing, or it isn't known.
func (s *parts) toldOfRecord() string {
	if s.a.Host != nil {
		var f ledger.Firing
		err := s.a.Ledger.View(s.ctx, func(t *ledger.Tx) (err error) { f, err = t.Clock.LastEnded(ledger.FiringTold, ""); return err })
		if err == nil || errors.Is(err, fixity.ErrNotFound) {
			return f.Trouble
		}
	}
	b, err := os.ReadFile(filepath.Join(s.a.Config.State, toldFile))
	if err != nil {
		return ""
	}
	return string(b)
}

// keepTold keeps it. Where that can't be done, it is told once more after a restart.
func (s *parts) keepTold(told string) {
	file := filepath.Join(s.a.Config.State, toldFile)
	err := error(nil)
	if s.a.Host != nil {
		now := s.now()
		if err = s.a.Ledger.Tx(s.ctx, now, func(t *ledger.Tx) error {
			f, _, err := t.Clock.Win(ledger.Firing{Job: ledger.FiringTold, Due: now, By: s.d.o.By})
			if err == nil {
				err = t.Clock.End(f, ledger.FiringDone, told)
			}
			return err
		}); err != nil {
			s.log.Warn("what was told of the record could not be kept for the other hosts", "error", err)
		}
	}
	if told == "" {
		if err = os.Remove(file); errors.Is(err, fs.ErrNotExist) {
			err = nil
		}
	} else {
		err = private.Replace(file, []byte(told))
	}
	if err != nil {
		s.log.Warn("what was told of the record could not be kept", "error", err)
	}
}

// lastCheck is the newest check of the record.
func (s *parts) lastCheck() (f ledger.Firing, err error) {
	err = s.a.Ledger.View(s.ctx, func(t *ledger.Tx) error { f, err = t.Clock.LastEnded(ledger.FiringVerify, ""); return err })
	return f, err
}

// recordNotes are what the weekly letter says of the record: nothing where it was found to
// be what was written.
func (s *parts) recordNotes() ([]letters.Note, error) {
	f, err := s.lastCheck()
	switch {
	case errors.Is(err, fixity.ErrNotFound):
		return nil, nil
	case err != nil:
		return nil, err
	}
	if text := report.RecordCheck(f); text != "" {
		return []letters.Note{{Label: "The record", Text: text}}, nil
	}
	return nil, nil
}
