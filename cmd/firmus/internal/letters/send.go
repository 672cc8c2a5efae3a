package letters

import (
	"context"
	"crypto/tls"
	"encoding/base64"
	"errors"
	"fmt"
	"net"
	netmail "net/mail"
	"strconv"
	"strings"
	"time"

	"github.com/wneessen/go-mail"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// waits between tries: soon at first, then so that a server which was repaired is
// noticed the same day. Nothing is given up while the server may still take it.
var backOff = []time.Duration{time.Minute, 5 * time.Minute, 15 * time.Minute, time.Hour, 4 * time.Hour}

// handedFor is how long a delivery that was begun isn't begun again, unless what became of it is
// noted: longer than a server may take over a letter, answer by answer.
const handedFor = 5 * time.Minute

// page of deliveries that are read at once.
const atOnce = 50

// Sent is what a Send did.
type Sent struct {
	Delivered int
	Deferred  int // waits for its next try
	Refused   int // the server will never take it; kept, and counted as failed
	Trouble   string
}

// Send sends the letters that are due. What a server refused for the time being, or
// what could not be handed over, waits for its next try; what it refused for good is
// kept as failed. Both are told in Sent and are no error: the error is of the ledger,
// or the context's cause. While another process sends, it wraps fixity.ErrBusy.
//
// What the ledger can't note isn't sent: a delivery is taken in the ledger before it is handed
// over. If the ledger is away when the server has taken the letter, that is kept until Settle can
// note it. A process that is killed between the two sends the letter once more, minutes later,
// under its Message-ID.
func (l *Letters) Send(ctx context.Context) (Sent, error) {
	var sent Sent
	if err := l.Settle(ctx); err != nil {
		return sent, err
	}
	now := l.o.Now()
	due, err := l.dueNow(ctx, now)
	if err != nil || len(due) == 0 {
		return sent, err
	}
	unlock, err := l.o.Ledger.LockOwn(ctx, "letters", "letters", 0, l.o.Now)
	if err != nil {
		return sent, err
	}
	defer unlock()
	for {
		// Looked at again: another process may have sent them before the lock was ours.
		if due, err = l.dueNow(ctx, now); err != nil || len(due) == 0 {
			return sent, err
		}
		if err := l.sendAll(ctx, due, &sent); err != nil {
			return sent, err
		}
		if len(due) < atOnce {
			return sent, nil
		}
	}
}

func (l *Letters) dueNow(ctx context.Context, now time.Time) (due []ledger.Delivery, err error) {
	err = l.o.Ledger.View(ctx, func(t *ledger.Tx) error {
		due, err = t.Post.DueDeliveries(now, atOnce)
		return err
	})
	return due, err
}

// sendAll tries each delivery once, over one connection as long as it holds.
func (l *Letters) sendAll(ctx context.Context, due []ledger.Delivery, sent *Sent) error {
	var s *connection
	var down error // the server can't be spoken to: no use in trying again now
	defer func() { s.close() }()
	for _, d := range due {
		if ctx.Err() != nil {
			return context.Cause(ctx)
		}
		err := down
		if err == nil && s == nil {
			if s, err = l.dial(ctx); err != nil {
				if ctx.Err() != nil {
					return context.Cause(ctx)
				}
				down = err
			}
		}
		if err == nil {
			m, err2 := l.message(d)
			if err = err2; err == nil {
				mine, err2 := l.hand(ctx, d)
				if err2 != nil {
					return err2
				}
				if !mine {
					continue
				}
				err = s.send(ctx, m)
			}
			if ctx.Err() != nil && err != nil {
				return context.Cause(ctx) // it was cut off by us, which says nothing of the server
			}
			if err != nil && !permanent(err) {
				// Whatever state the connection is in, the next letter gets a new one.
				s.close()
				s = nil
			}
		}
		if err := l.note(ctx, d, err, sent); err != nil {
			return err
		}
	}
	return nil
}

// hand takes a delivery for this try.
func (l *Letters) hand(ctx context.Context, d ledger.Delivery) (mine bool, err error) {
	now := l.o.Now()
	err = l.o.Ledger.Tx(ctx, now, func(t *ledger.Tx) error { mine, err = t.Post.Hand(d, now.Add(handedFor)); return err })
	return mine, err
}

// tried is a delivery and what became of its try.
type tried struct {
	d   ledger.Delivery
	err error
}

// note writes down what became of a try.
func (l *Letters) note(ctx context.Context, d ledger.Delivery, err error, sent *Sent) error {
	switch {
	case err == nil:
		sent.Delivered++
	case permanent(err):
		sent.Refused++
		sent.Trouble = l.trouble(err)
	default:
		sent.Deferred++
		sent.Trouble = l.trouble(err)
	}
	l.mu.Lock()
	l.unnoted = append(l.unnoted, tried{d, err})
	l.mu.Unlock()
	// What the server has taken is written down also when the process is told to stop.
	return l.Settle(context.WithoutCancel(ctx))
}

// Settle notes what became of tries while the ledger couldn't be written to. It is called now
// and then by whoever sends, also where another host sends by now.
func (l *Letters) Settle(ctx context.Context) error {
	l.mu.Lock()
	defer l.mu.Unlock()
	for len(l.unnoted) > 0 {
		if err := l.o.Ledger.Tx(ctx, l.o.Now(), func(t *ledger.Tx) error { return l.became(t, l.unnoted[0]) }); err != nil {
			return err
		}
		l.unnoted = l.unnoted[1:]
	}
	return nil
}

func (l *Letters) became(t *ledger.Tx, x tried) error {
	id, to := x.d.Letter.ID, x.d.Address
	switch {
	case x.err == nil:
		return t.Post.Delivered(id, to)
	case permanent(x.err):
		return t.Post.Refused(id, to, l.trouble(x.err))
	}
	return t.Post.Deferred(id, to, t.Now().Add(backOff[min(int(x.d.Attempts), len(backOff)-1)]), l.trouble(x.err))
}

// permanent says that the server will never take this letter for this address. That
// it doesn't know the sender, or wants a login, is about the configuration: the letter
// waits until that is put right.
func permanent(err error) bool {
	var e *mail.SendError
	if !errors.As(err, &e) {
		return false
	}
	switch e.Reason {
	case mail.ErrSMTPRcptTo, mail.ErrSMTPData, mail.ErrSMTPDataClose:
		return e.ErrorCode() >= 500 && e.ErrorCode() < 600 && e.ErrorCode() != 530 // RFC 4954, 6: log in first
	}
	return false
}

// connection is one to the mail server.
type connection struct{ client *mail.Client }

func (l *Letters) dial(ctx context.Context) (*connection, error) {
	m := l.o.Mail
	host, p, err := net.SplitHostPort(m.Server)
	if err != nil {
		return nil, fmt.Errorf("mail server %q: %w", m.Server, err)
	}
	port, err := strconv.Atoi(p)
	if err != nil {
		return nil, fmt.Errorf("mail server %q: %w", m.Server, err)
	}
	secure := &tls.Config{ServerName: host, MinVersion: tls.VersionTLS12, RootCAs: m.Roots}
	first := secure
	if m.TLS != "tls" {
		first = nil
	}
	opts := []mail.Option{mail.WithPort(port), mail.WithTimeout(m.Timeout), mail.WithTLSConfig(secure), mail.WithDialContextFunc(dial(m.Timeout, first))}
	switch m.TLS {
	case "tls":
		// dial has begun TLS, and no server offers it once more inside it (RFC 3207, 4.2). This
		// policy has the library see that the connection is encrypted.
		opts = append(opts, mail.WithTLSPolicy(mail.TLSOpportunistic))
	case "none":
		opts = append(opts, mail.WithTLSPolicy(mail.NoTLS))
	default:
		opts = append(opts, mail.WithTLSPolicy(mail.TLSMandatory))
	}
	if m.User != "" {
		password, err := m.Password()
		if err != nil {
			return nil, fmt.Errorf("mail password: %w", err)
		}
		// The strongest way that the server offers; none in the clear without TLS.
		opts = append(opts, mail.WithSMTPAuth(mail.SMTPAuthAutoDiscover), mail.WithUsername(m.User), mail.WithPassword(password))
	}
	c, err := mail.NewClient(host, opts...)
	if err != nil {
		return nil, fmt.Errorf("mail server %s: %w", m.Server, err)
	}
	if err := c.DialWithContext(ctx); err != nil {
		return nil, fmt.Errorf("mail server %s: %w", m.Server, err)
	}
	return &connection{client: c}, nil
}

// send hands one letter over. Once the server has said that it took it, whatever
// happens to the connection afterwards is no error. A stop doesn't wait for a server
// that is slow to answer: the letter is then sent again another time.
func (s *connection) send(ctx context.Context, m *mail.Msg) error {
	done, client := make(chan error, 1), s.client
	go func() {
		err := client.Send(m)
		if m.IsDelivered() {
			err = nil
		}
		done <- err
	}()
	select {
	case err := <-done:
		return err
	case <-ctx.Done():
		s.client = nil
		return context.Cause(ctx)
	}
}

func (s *connection) close() {
	if s != nil && s.client != nil {
		s.client.Close() // the letters that it took, it took
	}
}

// message makes a delivery into what RFC 5322 and MIME have: text first, HTML beside.
func (l *Letters) message(d ledger.Delivery) (*mail.Msg, error) {
	m := mail.NewMsg(mail.WithNoDefaultUserAgent(), mail.WithEncoding(mail.EncodingQP))
	from, err := netmail.ParseAddress(l.o.Mail.From)
	if err != nil {
		return nil, fmt.Errorf("from: %w", err)
	}
	if from.Name == "" {
		from.Name = "Firmus"
	}
	to, err := netmail.ParseAddress(d.Address)
	if err != nil {
		return nil, fmt.Errorf("to: %w", err)
	}
	m.FromMailAddress(from)
	m.ToMailAddress(to)
	m.Subject(clean(d.Letter.Subject))
	m.SetDateWithValue(d.Letter.Made.In(l.o.Zone))
	m.SetMessageIDWithValue(d.Letter.MessageID)
	if n := len(d.Letter.Refs); n > 0 {
		ids := make([]string, n)
		for i, id := range d.Letter.Refs {
			ids[i] = "<" + id + ">"
		}
		m.SetGenHeader(mail.HeaderInReplyTo, ids[n-1])
		m.SetGenHeader(mail.HeaderReferences, strings.Join(ids, " "))
	}
	m.SetGenHeader("Auto-Submitted", "auto-generated") // RFC 3834, 5: holiday answers stay away
	m.SetBodyString(mail.TypeTextPlain, d.Letter.Text)
	m.AddAlternativeString(mail.TypeTextHTML, d.Letter.HTML)
	if d.Letter.Calendar != "" {
		if err := m.AttachReader("letter.ics", strings.NewReader(d.Letter.Calendar), mail.WithFileContentType("text/calendar; charset=utf-8; method=PUBLISH")); err != nil {
			return nil, fmt.Errorf("calendar: %w", err)
		}
	}
	return m, nil
}

// noSTARTTLS is what a person can do about a server that offers no STARTTLS.
const noSTARTTLS = `the server doesn't offer STARTTLS, which encrypts the connection, and Firmus sends no letter without it. Write below [mail]: tls = "tls" if the server encrypts from the start (usually port 465), or tls = "none" if it is on this computer`

// mailWords puts into words at which step of RFC 5321 something went wrong.
var mailWords = strings.NewReplacer(
	"closing SMTP DATA writer", "while the letter's text was sent",
	"sending message content", "while the letter's text was sent",
	"sending SMTP DATA command", "before the letter's text was sent",
	"sending SMTP MAIL FROM command", "when the sender was named",
	"sending SMTP RCPT TO command", "when the receiver was named",
	"checking SMTP connection", "when the connection was looked at",
	"server does not support SMTP AUTH", "the server takes no sign-in",
	"SMTP AUTH failed", "the sign-in failed (see whether the account and its password are right)",
	`STARTTLS mode set to: "TLSMandatory", but target host does not support STARTTLS`, noSTARTTLS,
	"dial failed: ", "", "send failed: ", "",
)

// trouble is an error as it may be kept and shown: on one line, not endless, and
// without the password, should a server repeat it.
func (l *Letters) trouble(err error) string {
	s := err.Error()
	if i := strings.Index(s, ", affected "); i >= 0 {
		s = s[:i] // which letter it was stands beside it
	}
	s = report.Plainly(mailWords.Replace(s))
	if m := l.o.Mail; m.User != "" && m.Password != nil {
		if p, err := m.Password(); err == nil && p != "" {
			for _, secret := range []string{p, base64.StdEncoding.EncodeToString([]byte(p)), base64.StdEncoding.EncodeToString([]byte("\x00" + m.User + "\x00" + p))} {
				s = strings.ReplaceAll(s, secret, "…")
			}
		}
	}
	return cut(strings.Join(strings.Fields(clean(s)), " "), 300)
}

// Retry makes all that waits or has failed due at once: what was wrong with the
// server or the configuration was put right. It gives how many deliveries there are.
func (l *Letters) Retry(ctx context.Context) (n int64, err error) {
	err = l.o.Ledger.Tx(ctx, l.o.Now(), func(t *ledger.Tx) error {
		n, err = t.Post.TryAgain()
		return err
	})
	return n, err
}

// Busy says that an error means no more than that another process is sending.
func Busy(err error) bool { return errors.Is(err, fixity.ErrBusy) }
