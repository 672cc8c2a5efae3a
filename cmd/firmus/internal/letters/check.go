package letters

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/letters/calendar"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Tried is what became of a test letter for one address.
type Tried struct {
	Address string
	Trouble string // "" if the server took it
}

// Test sends a test letter to each address, past the outbox and without a ledger. The
// error is the context's cause; what the server said is in the results.
func (l *Letters) Test(ctx context.Context) ([]Tried, error) {
	now := l.o.Now()
	w := l.words()
	next := l.slotAfter(now)
	to := l.recipients(true)
	p := page{Lead: []string{
		"This is a test letter from Firmus: letters arrive.",
		"It says nothing about the recordings.",
		"There is nothing to do, but to put the entry that comes with it into a calendar.",
	}}
	var x part
	x.fact("The weekly letter", fmt.Sprintf("next due %s; it says what was checked, and comes also when all is as it should be", w.whenDay(next)))
	x.fact("Why a calendar", "a letter that doesn't come is noticed by nobody. The entry asks each week whether the letter has come.")
	if l.o.Mail.Deputy != "" {
		x.fact("The deputy", fmt.Sprintf("%s hears of what is at risk and stays as it is for %s", clean(l.o.Mail.Deputy), days(DeputyAfter)))
	}
	p.add(x)
	p.add(part{Lines: []string{fmt.Sprintf("%s. Written %s. Sent to %s.", clean(l.o.Name), w.when(now), clean(fixity.And(to)))}})
	letter, err := l.compose("test", "test", "Test: letters from Firmus arrive. Next letter "+next.In(l.o.Zone).Format("Mon 2 Jan, 15:04"), p, now)
	if err != nil {
		return nil, err
	}
	letter.Calendar = calendar.Weekly(clean(l.o.Name), l.domain(), now, next.In(l.o.Zone))
	letter.MessageID = fmt.Sprintf("firmus.test-%d@%s", now.UnixNano(), l.domain())
	return l.sendNow(ctx, letter, to)
}

// Alarm sends a letter at once to each address, past the outbox and without a ledger:
// it is about the ledger itself. lead says what has happened and what to do.
func (l *Letters) Alarm(ctx context.Context, subject string, lead ...string) ([]Tried, error) {
	now := l.o.Now()
	to := l.recipients(true)
	p := page{Lead: lead}
	p.add(part{Lines: []string{fmt.Sprintf("%s. Written %s. Sent to %s.", clean(l.o.Name), l.words().when(now), clean(fixity.And(to)))}})
	letter, err := l.compose("alarm", "alarm", subject, p, now)
	if err != nil {
		return nil, err
	}
	letter.MessageID = fmt.Sprintf("firmus.alarm-%d@%s", now.UnixNano(), l.domain())
	return l.sendNow(ctx, letter, to)
}

// sendNow tries each address once.
func (l *Letters) sendNow(ctx context.Context, letter ledger.Letter, to []string) ([]Tried, error) {
	var out []Tried
	var s *connection
	defer func() { s.close() }()
	for _, a := range to {
		err := error(nil)
		if s == nil {
			s, err = l.dial(ctx)
		}
		if err == nil {
			m, err2 := l.message(ledger.Delivery{Letter: letter, Address: a})
			if err = err2; err == nil {
				err = s.send(ctx, m)
			}
			if err != nil {
				s.close()
				s = nil
			}
		}
		if err != nil && ctx.Err() != nil {
			return out, context.Cause(ctx)
		}
		t := Tried{Address: a}
		if err != nil {
			t.Trouble = l.trouble(err)
		}
		out = append(out, t)
	}
	return out, nil
}
