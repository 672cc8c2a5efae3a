package letters

import (
	"errors"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// tooNear: so soon before the next weekly letter none is made up for a week that was missed.
const tooNear = time.Hour

// plan decides which letters are due now. to is moved where a weekly letter is among
// them.
func (l *Letters) plan(t *ledger.Tx, now time.Time, from ledger.LetterCursor, to *ledger.LetterCursor, b beside) ([]draft, error) {
	xs, err := threads(t)
	if err != nil {
		return nil, err
	}
	away, err := t.Findings.Away()
	if err != nil {
		return nil, err
	}
	var drafts []draft
	weekly := l.slotAfter(l.since(*to, now))
	next := weekly
	if !weekly.After(now) {
		next = l.slotAfter(now)
	}
	for _, x := range xs {
		kind, err := l.due(t, x, now, away, to.Seq != from.Seq)
		if err != nil {
			return nil, err
		}
		if kind == "" {
			continue
		}
		d, err := l.draft(t, kind, x, now, next)
		if err != nil {
			return nil, err
		}
		drafts = append(drafts, d)
	}
	if weekly.After(now) || now.Sub(weekly) > tooNear && next.Sub(now) < tooNear {
		return drafts, nil
	}
	d, err := l.weekly(t, xs, now, l.since(*to, now), next, from, b)
	if err != nil {
		return nil, err
	}
	// A week whose letter could not be written in time has none: the newest slot counts.
	to.Weekly = weekly
	for s := weekly; !s.After(now); s = l.slotAfter(s) {
		to.Weekly = s
	}
	return append(drafts, d), nil
}

// due says which letter a thread needs now, "" if none. Whatever is needed to write
// it is then known of the thread.
func (l *Letters) due(t *ledger.Tx, x *thread, now time.Time, away []string, news bool) (string, error) {
	if len(x.open) == 0 {
		// Those that are merely untidy by now end it when they end.
		if slices.ContainsFunc(x.ended, func(f ledger.Finding) bool { return f.Open() }) {
			return "", nil
		}
		return ledger.LetterEnd, l.lookEnded(t, x)
	}
	if len(x.told) == 0 && slices.ContainsFunc(x.open, func(f ledger.Finding) bool { return l.waits(f, now) }) {
		return "", nil
	}
	deputy := l.deputyDue(x, now)
	if !x.fresh && !deputy && !news {
		return "", nil
	}
	if err := l.look(t, x, away); err != nil {
		return "", err
	}
	switch {
	case deputy:
		return ledger.LetterDeputy, nil
	case len(x.told) == 0:
		return ledger.LetterFirst, nil
	case x.fresh:
		gather, err := l.gathers(t, x, now)
		if err != nil || gather {
			return "", err
		}
		return ledger.LetterMore, nil
	case !x.reads && x.untoldReadings():
		return ledger.LetterMore, nil
	}
	return "", nil
}

// waits says that a finding isn't told yet: a store that could not be reached often
// is there again before anybody could have done anything.
func (l *Letters) waits(f ledger.Finding, now time.Time) bool {
	if f.Kind != fixity.Away || shut(f) {
		return false
	}
	if l.o.Closed(now.In(l.o.Zone)) {
		return true
	}
	if l.o.Share(f.Store) {
		// Two nights: tries that lie half a day apart.
		return f.Seen.Sub(f.Opened) < 12*time.Hour
	}
	y, m, d := f.Opened.In(l.o.Zone).Date()
	at := time.Date(y, m, d, int(morning/time.Hour), 0, 0, 0, l.o.Zone)
	if at.Before(f.Opened) {
		at = time.Date(y, m, d+1, int(morning/time.Hour), 0, 0, 0, l.o.Zone)
	}
	return now.Before(at)
}

// gathers says that news of a matter is gathered: the audit that finds it goes on,
// and something was told within the hour. What has grown worse is told at once.
func (l *Letters) gathers(t *ledger.Tx, x *thread, now time.Time) (bool, error) {
	if now.Sub(x.newest) >= gathered || now.Before(x.newest) {
		return false, nil
	}
	for _, f := range x.open {
		r, ok := x.told[f.ID]
		if ok {
			if f.Urgency.Level() > r.Urgency.Level() || newWrongWay(f, r) {
				return false, nil
			}
			continue
		}
		if newWrongWay(f, r) {
			return false, nil
		}
		a, err := t.Audits.Get(f.Audit)
		if errors.Is(err, fixity.ErrNotFound) {
			return false, nil
		}
		if err != nil {
			return false, err
		}
		if a.Phase == fixity.PhaseDone || a.Phase == fixity.PhaseCutOff {
			return false, nil
		}
	}
	return true, nil
}

// newWrongWay says that a copy may have been copied the wrong way round, and that no
// letter said so: the next good copy may go likewise.
func newWrongWay(f ledger.Finding, told ledger.Told) bool {
	return f.WrongWay() != "" && !told.WrongWay
}

func (l *Letters) deputyDue(x *thread, now time.Time) bool {
	if l.o.Mail.Deputy == "" {
		return false
	}
	for _, f := range x.open {
		if r, ok := x.told[f.ID]; ok && r.Deputy.IsZero() && now.Sub(r.First) >= DeputyAfter {
			return true
		}
	}
	return false
}

func (x *thread) untoldReadings() bool {
	for _, s := range x.read {
		known := false
		for _, r := range x.told {
			known = known || slices.Contains(r.Readings, s)
		}
		if !known {
			return true
		}
	}
	return false
}

// lookEnded fills in the files of a thread whose findings have all ended.
func (l *Letters) lookEnded(t *ledger.Tx, x *thread) error {
	for _, f := range x.ended {
		if f.File == 0 || len(x.files) == sampled {
			continue
		}
		file, err := t.Files.Get(f.File)
		if err != nil {
			return err
		}
		copies, err := t.Copies.Of(f.File)
		if err != nil {
			return err
		}
		x.files[f.File] = known{file, copies}
	}
	return nil
}

// draft writes a thread's letter and what it tells.
func (l *Letters) draft(t *ledger.Tx, kind string, x *thread, now, next time.Time) (draft, error) {
	var d draft
	deputy := kind == ledger.LetterDeputy
	for _, r := range x.told {
		deputy = deputy || !r.Deputy.IsZero()
	}
	events, err := t.Log.Count()
	if err != nil {
		return d, err
	}
	if err := errors.Join(l.hear(t, x), l.save(t, x)); err != nil {
		return d, err
	}
	withhold, err := l.withholds(t, x.all())
	if err != nil {
		return d, err
	}
	if err := l.about(t, x); err != nil {
		return d, err
	}
	w := writer{words: l.words(), x: x, kind: kind, now: now, next: next, deputy: l.o.Mail.Deputy, name: l.o.Name, events: events}
	w.withhold = withhold
	d.to = l.recipients(deputy)
	w.to = d.to
	subject, p := w.letter()
	if d.letter, err = l.compose(kind, x.name, subject, p, now); err != nil {
		return d, err
	}
	for _, f := range x.all() {
		r, ok := x.told[f.ID]
		if !ok {
			r = ledger.Told{Finding: f.ID, Thread: x.name, First: now}
		}
		r.Kind, r.Urgency, r.WrongWay = f.Kind, f.Urgency, f.WrongWay() != ""
		for _, s := range x.read {
			if !slices.Contains(r.Readings, s) {
				r.Readings = append(r.Readings, s)
			}
		}
		if kind == ledger.LetterDeputy && f.Open() {
			r.Deputy = now
		}
		if kind == ledger.LetterEnd {
			r.Ended = now
		}
		d.told = append(d.told, r)
	}
	return d, nil
}

// compose makes a letter of a page.
func (l *Letters) compose(kind, thread, subject string, p page, now time.Time) (ledger.Letter, error) {
	subject = cut(clean(subject), 160)
	html, err := p.html(subject)
	return ledger.Letter{Kind: kind, Thread: thread, Subject: subject, Text: p.text(), HTML: html, Made: now}, err
}
