package letters

import (
	"context"
	"crypto/x509"
	"errors"
	"fmt"
	"net/mail"
	"slices"
	"strings"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

// Mail says how letters leave and to whom.
type Mail struct {
	Server   string // host:port
	From     string
	To       []string
	Deputy   string // told too when nothing is done for DeputyAfter; "": nobody
	TLS      string // "starttls", "tls" or "none"
	User     string // "": the server asks for none
	Password func() (string, error)
	Roots    *x509.CertPool // nil: those of the system
	Timeout  time.Duration  // for one answer of the server; default 30 s
	Weekday  time.Weekday   // of the weekly letter
	At       time.Duration  // since midnight, by the local clock
}

// Options say what letters are written from.
type Options struct {
	Ledger *ledger.Ledger
	Rules  care.Rules
	Mail   Mail
	Now    func() time.Time
	Zone   *time.Location // of the times in letters; default time.Local
	Name   string         // of the holdings
	Host   string         // the computer that letters send people to; "" if not known
	Titles bool           // performers and titles may stand in letters
	Pages  string         // the address of the pages as people type it; "" without one: no letter links to them
	// Where says where things lie, for the steps of letters.
	Where report.Where
	// Share says that a store is a network share or in the cloud, where a hiccup isn't
	// worth a letter; nil: only those in the cloud are.
	Share func(store string) bool
	// Closed says that nobody is there on the day of t: what isn't urgent waits; may be nil.
	Closed func(t time.Time) bool
	// Layout says where the samples lie in a version's file, so that damage can be told
	// as a time in the recording; nil: it isn't.
	Layout func(ledger.Sound) (damage.Layout, bool)
	// Missed are the times at which a store should have been audited in a stretch of
	// time, and was not; nil: that isn't known, and nothing is said of it.
	Missed func(ctx context.Context, store string, from, to time.Time) ([]Missed, error)
	// Notes are further lines of the weekly letter (what runs out, what a forecast
	// says); may be nil.
	Notes func(ctx context.Context) ([]Note, error)
}

// Missed is a time at which something should have been done, and was not.
type Missed struct {
	At     time.Time
	MadeUp time.Time // zero if it was not made up
	Why    string    // in words; may be ""
}

// Note is a line of the weekly letter.
type Note struct{ Label, Text string }

// DeputyAfter is how long a finding that is more than untidy may stay as it is until
// the deputy is told. *Common practice.*
const DeputyAfter = 3 * 24 * time.Hour

// gathered is how long news of a matter that was told is gathered while the audit
// that finds it goes on.
const gathered = time.Hour

// morning is when a store that is away since the night is told, local time.
const morning = 8 * time.Hour

// Letters writes letters and sends them. It is safe for concurrent use; of several
// that fill or send at the same time one does it.
type Letters struct {
	o Options

	mu      sync.Mutex
	unnoted []tried // what the ledger doesn't know yet
}

// New makes a Letters. The error wraps fixity.ErrRefused if no letter could ever
// leave by these options: an address that is none.
func New(o Options) (*Letters, error) {
	if o.Zone == nil {
		o.Zone = time.Local
	}
	if o.Mail.Timeout == 0 {
		o.Mail.Timeout = 30 * time.Second
	}
	if o.Share == nil {
		o.Share = func(store string) bool { s, _ := o.Rules.Store(store); return s.Kind == "cloud" }
	}
	if o.Closed == nil {
		o.Closed = func(time.Time) bool { return false }
	}
	if len(o.Mail.To) == 0 {
		return nil, fmt.Errorf("letters go to nobody: %w", fixity.ErrRefused)
	}
	all := append([]string{o.Mail.From}, o.Mail.To...)
	if o.Mail.Deputy != "" {
		all = append(all, o.Mail.Deputy)
	}
	for _, a := range all {
		if _, err := mail.ParseAddress(a); err != nil {
			return nil, fmt.Errorf("%q is not a mail address: %w", a, fixity.ErrRefused)
		}
	}
	return &Letters{o: o}, nil
}

func (l *Letters) words() words {
	return words{rules: l.o.Rules, zone: l.o.Zone, titles: l.o.Titles, pages: strings.TrimSuffix(l.o.Pages, "/")}
}

// draft is a letter that isn't in the outbox yet, and what it tells.
type draft struct {
	letter ledger.Letter
	to     []string
	told   []ledger.Told
}

// Fill follows the record and writes the letters that are due, into the outbox and in
// one transaction with the cursor. It gives how many there are. What another process
// wrote meanwhile isn't written twice.
func (l *Letters) Fill(ctx context.Context) (int, error) {
	now := l.o.Now()
	told, err := l.beside(ctx, now)
	if err != nil {
		return 0, err
	}
	var from, to ledger.LetterCursor
	var drafts []draft
	err = l.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if from, err = t.Post.Cursor(); err != nil {
			return err
		}
		to = from
		if to.Seq, err = t.Log.Count(); err != nil {
			return err
		}
		if from.Fills == 0 || from.Begun.After(now) {
			to.Begun = now
		}
		if from.Weekly.After(now) { // written by a clock that was wrong
			to.Weekly = time.Time{}
		}
		drafts, err = l.plan(t, now, from, &to, told)
		return err
	})
	if err != nil || to == from && len(drafts) == 0 {
		return 0, err
	}
	err = l.o.Ledger.Tx(ctx, now, func(t *ledger.Tx) error {
		if err := t.Post.MoveCursor(from, to); err != nil {
			return err
		}
		for _, d := range drafts {
			if err := l.put(t, d); err != nil {
				return err
			}
		}
		return nil
	})
	if errors.Is(err, fixity.ErrLost) {
		return 0, nil
	}
	if err != nil {
		return 0, err
	}
	return len(drafts), nil
}

// beside is what a weekly letter says that isn't in the ledger.
type beside struct {
	missed map[string][]Missed
	notes  []Note
}

// beside asks for it if a weekly letter is due, and before the ledger is read: whoever
// is asked reads the ledger too.
func (l *Letters) beside(ctx context.Context, now time.Time) (beside, error) {
	b := beside{missed: map[string][]Missed{}}
	var c ledger.LetterCursor
	if err := l.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		c, err = t.Post.Cursor()
		return err
	}); err != nil {
		return b, err
	}
	since := l.since(c, now)
	if l.slotAfter(since).After(now) {
		return b, nil
	}
	if c.Weekly.IsZero() {
		since = now.AddDate(0, 0, -7)
	}
	for _, s := range l.o.Rules.Stores {
		if l.o.Missed == nil {
			break
		}
		m, err := l.o.Missed(ctx, s.Name, since, now)
		if err != nil {
			return b, fmt.Errorf("what %s missed: %w", s.Name, err)
		}
		b.missed[s.Name] = m
	}
	if l.o.Notes == nil {
		return b, nil
	}
	var err error
	if b.notes, err = l.o.Notes(ctx); err != nil {
		err = fmt.Errorf("notes for the weekly letter: %w", err)
	}
	return b, err
}

// put gives a draft its number and its Message-ID.
func (l *Letters) put(t *ledger.Tx, d draft) error {
	id, err := t.NextID("letter")
	if err != nil {
		return err
	}
	holdings, err := t.Stores.Holdings()
	if err != nil {
		return err
	}
	d.letter.ID = id
	d.letter.MessageID = fmt.Sprintf("firmus.letter-%d.%s@%s", id, cutHex(holdings), l.domain())
	// Weekly letters don't answer one another: in a long conversation nobody would see
	// that the newest is missing.
	if d.letter.Kind != ledger.LetterWeekly {
		if d.letter.Refs, err = t.Post.ThreadIDs(d.letter.Thread); err != nil {
			return err
		}
	}
	// RFC 5322, 3.6.4 lets a long list be shortened; the first and the newest matter.
	if n := len(d.letter.Refs); n > 12 {
		d.letter.Refs = append(d.letter.Refs[:1:1], d.letter.Refs[n-11:]...)
	}
	if err := t.Post.Put(d.letter, d.to); err != nil {
		return err
	}
	return t.Post.PutTold(d.told...)
}

// cutHex is as much of the holdings' id as tells it from others.
func cutHex(id string) string {
	return strings.Map(func(r rune) rune {
		if r >= '0' && r <= '9' || r >= 'a' && r <= 'z' {
			return r
		}
		return -1
	}, strings.ToLower(id[:min(len(id), 16)]))
}

// domain is that of the sender's address.
func (l *Letters) domain() string {
	a, _ := mail.ParseAddress(l.o.Mail.From) // New has seen it
	return a.Address[strings.LastIndexByte(a.Address, '@')+1:]
}

// Next is when the next weekly letter is due.
func (l *Letters) Next(ctx context.Context) (time.Time, error) {
	var c ledger.LetterCursor
	err := l.o.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		c, err = t.Post.Cursor()
		return err
	})
	now := l.o.Now()
	if err != nil || c.Fills == 0 {
		return l.slotAfter(now), err
	}
	if due := l.slotAfter(l.since(c, now)); due.Before(now) {
		return due, nil // the next Fill writes it
	}
	return l.slotAfter(now), nil
}

// since is when the weekly letters that were written end.
func (l *Letters) since(c ledger.LetterCursor, now time.Time) time.Time {
	for _, t := range []time.Time{c.Weekly, c.Begun} {
		if !t.IsZero() && !t.After(now) {
			return t
		}
	}
	return now
}

// slotAfter is the first time for a weekly letter after t, by the local clock.
func (l *Letters) slotAfter(t time.Time) time.Time {
	t = t.In(l.o.Zone)
	y, m, d := t.Date()
	for i := range 9 {
		// Hours and minutes, not a duration: days of 23 and 25 hours have a morning too.
		at := time.Date(y, m, d+i, int(l.o.Mail.At/time.Hour), int(l.o.Mail.At%time.Hour/time.Minute), 0, 0, l.o.Zone)
		if at.Weekday() == l.o.Mail.Weekday && at.After(t) {
			return at
		}
	}
	return t.AddDate(0, 0, 7)
}

// Counts are what metrics and checks show of the outbox.
func (l *Letters) Counts(ctx context.Context) (c ledger.LetterCounts, err error) {
	err = l.o.Ledger.View(ctx, func(t *ledger.Tx) error {
		c, err = t.Post.Counts()
		return err
	})
	return c, err
}

// recipients are those of a letter about a matter: the deputy, once told, hears the
// rest of it too.
func (l *Letters) recipients(deputy bool) []string {
	to := slices.Clone(l.o.Mail.To)
	if deputy && l.o.Mail.Deputy != "" && !slices.Contains(to, l.o.Mail.Deputy) {
		to = append(to, l.o.Mail.Deputy)
	}
	return to
}
