package letters_test

import (
	"bytes"
	"context"
	"crypto/tls"
	"errors"
	"fmt"
	"net"
	"os"
	"os/exec"
	"strings"
	"testing"
	"time"

	"github.com/emersion/go-smtp"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// waiting is a world whose outbox holds one weekly letter for two people.
func waiting(t *testing.T) *world {
	t.Helper()
	w := newWorld(t, "")
	w.post()
	w.now = w.now.Add(8 * 24 * time.Hour)
	w.fill()
	return w
}

func (w *world) fill() {
	w.Helper()
	w.with(func(a *app.App) {
		if n, err := w.letters(a).Fill(w.Context()); err != nil || n != 1 {
			w.Fatalf("%d letters, %v", n, err)
		}
	})
}

func (w *world) send() letters.Sent {
	w.Helper()
	var sent letters.Sent
	w.with(func(a *app.App) {
		var err error
		if sent, err = w.letters(a).Send(w.Context()); err != nil {
			w.Fatal(err)
		}
	})
	return sent
}

func (w *world) counts() ledger.LetterCounts {
	w.Helper()
	var c ledger.LetterCounts
	w.with(func(a *app.App) {
		var err error
		if c, err = w.letters(a).Counts(w.Context()); err != nil {
			w.Fatal(err)
		}
	})
	return c
}

// secured makes the world's server one with STARTTLS and a login.
func secured(w *world, names ...string) {
	w.Helper()
	config, pool := mailtest.Certificate(w.T, names...)
	w.server = mailtest.Start(w.T, config)
	w.server.User, w.server.Password = "firmus", "correct horse"
	w.options = func(o *letters.Options) {
		o.Mail.Server, o.Mail.TLS, o.Mail.Roots, o.Mail.User = w.server.Addr, "starttls", pool, "firmus"
		o.Mail.Password = func() (string, error) { return "correct horse", nil }
	}
}

func TestSendSecurely(t *testing.T) {
	w := waiting(t)
	secured(w, "127.0.0.1")
	if sent := w.send(); sent != (letters.Sent{Delivered: 2}) {
		t.Fatalf("%+v", sent)
	}
	got := w.server.Got()
	if len(got) != 2 || !got[0].Secure || !got[1].Secure {
		t.Fatalf("%d mails, secure: %v", len(got), got)
	}
	if len(w.server.Logins) != 1 || w.server.Logins[0] != "firmus" {
		t.Errorf("logins %q, want one for both letters", w.server.Logins)
	}
	if c := w.counts(); c.Waiting != 0 || c.Failed != 0 || !c.LastSent.Equal(w.now) {
		t.Errorf("%+v", c)
	}
	if sent := w.send(); sent != (letters.Sent{}) {
		t.Errorf("sent again: %+v", sent)
	}
}

func TestSendByTLSFromTheBeginning(t *testing.T) {
	w := waiting(t)
	config, pool := mailtest.Certificate(t, "127.0.0.1")
	ln, err := tls.Listen("tcp", "127.0.0.1:0", config)
	if err != nil {
		t.Fatal(err)
	}
	w.server = mailtest.Serve(t, ln, nil)
	w.server.User, w.server.Password = "firmus", "correct horse"
	w.options = func(o *letters.Options) {
		o.Mail.Server, o.Mail.TLS, o.Mail.Roots, o.Mail.User = w.server.Addr, "tls", pool, "firmus"
		o.Mail.Password = func() (string, error) { return "correct horse", nil }
	}
	if sent := w.send(); sent != (letters.Sent{Delivered: 2}) {
		t.Fatalf("%+v", sent)
	}
}

// What goes wrong defers the letter, is seen, and loses nothing: when the server is
// right again the same letter leaves.
func TestSendDefers(t *testing.T) {
	plain := func(w *world) {}
	cases := []struct {
		name    string
		start   func(w *world)
		wrong   func(w *world)
		right   func(w *world)
		trouble string
	}{
		{"for the time being", plain,
			func(w *world) {
				w.server.Set(func(m *mailtest.Server) {
					m.OnRcpt = func(string) error {
						return &smtp.SMTPError{Code: 451, EnhancedCode: smtp.EnhancedCode{4, 7, 1}, Message: "greylisted"}
					}
				})
			},
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.OnRcpt = nil }) }, "4.7.1 greylisted"},
		{"takes the connection and hangs up", plain,
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.Drop = true }) },
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.Drop = false }) }, "while the letter's text was sent: it ended too early"},
		{"no certificate that is known", func(w *world) { secured(w, "127.0.0.1") },
			func(w *world) {
				known := w.options
				w.options = func(o *letters.Options) { known(o); o.Mail.Roots = nil }
			},
			func(w *world) { secured(w, "127.0.0.1") }, "certificate"},
		{"another's certificate", func(w *world) { secured(w, "mail.elsewhere.example") }, plain, func(w *world) { secured(w, "127.0.0.1") }, "127.0.0.1"},
		{"no STARTTLS", func(w *world) {
			w.options = func(o *letters.Options) { o.Mail.TLS = "starttls" }
		}, plain, func(w *world) { w.options = nil }, `: the server doesn't offer STARTTLS, which encrypts the connection, and Firmus sends no letter without it. Write below [mail]: tls = "tls"`},
		{"wrong password", func(w *world) { secured(w, "127.0.0.1") },
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.Password = "changed" }) },
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.Password = "correct horse" }) }, "535"},
		{"no login", plain,
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.User = "firmus" }) },
			func(w *world) { w.server.Set(func(m *mailtest.Server) { m.User = "" }) }, "502"},
		{"down", func(w *world) {
			ln, err := net.Listen("tcp", "127.0.0.1:0")
			if err != nil {
				w.Fatal(err)
			}
			ln.Close()
			w.options = func(o *letters.Options) { o.Mail.Server = ln.Addr().String() }
		}, plain, func(w *world) { w.options = nil }, "refused"},
		{"no password", func(w *world) {
			secured(w, "127.0.0.1")
			was := w.options
			w.options = func(o *letters.Options) {
				was(o)
				o.Mail.Password = func() (string, error) { return "", os.ErrNotExist }
			}
		}, plain, func(w *world) { secured(w, "127.0.0.1") }, "password"},
	}
	for _, tc := range cases {
		t.Run(tc.name, func(t *testing.T) {
			w := waiting(t)
			tc.start(w)
			tc.wrong(w)
			sent := w.send()
			if sent.Deferred != 2 || sent.Delivered+sent.Refused != 0 || !strings.Contains(sent.Trouble, tc.trouble) {
				t.Fatalf("%+v, want 2 deferred for %q", sent, tc.trouble)
			}
			if strings.Contains(sent.Trouble, "correct horse") {
				t.Errorf("the password is shown: %s", sent.Trouble)
			}
			if c := w.counts(); c.Waiting != 2 || c.Failed != 0 || c.Trouble != sent.Trouble {
				t.Errorf("%+v", c)
			}
			if again := w.send(); again != (letters.Sent{}) {
				t.Errorf("tried again at once: %+v", again)
			}
			tc.right(w)
			w.now = w.now.Add(time.Minute)
			if sent := w.send(); sent != (letters.Sent{Delivered: 2}) {
				t.Fatalf("after it was put right: %+v", sent)
			}
			ids := map[string]bool{}
			for _, m := range w.server.Got() {
				ids[m.Parse(t).Header.Get("Message-Id")] = true
			}
			if len(ids) != 1 || len(w.server.Got()) != 2 {
				t.Errorf("%d mails with ids %v, want one letter for two", len(w.server.Got()), ids)
			}
		})
	}
}

// Tries lie farther and farther apart, and never end.
func TestBackOff(t *testing.T) {
	w := waiting(t)
	w.server.Set(func(m *mailtest.Server) {
		m.OnRcpt = func(string) error { return &smtp.SMTPError{Code: 421, Message: "come again"} }
	})
	begun := w.now
	var tries []string
	w.with(func(a *app.App) { // a day of minutes, as the daemon has them
		l := w.letters(a)
		for w.now.Sub(begun) < 24*time.Hour {
			sent, err := l.Send(w.Context())
			if err != nil {
				t.Fatal(err)
			}
			if sent.Deferred > 0 {
				tries = append(tries, w.now.Sub(begun).String())
			}
			w.now = w.now.Add(time.Minute)
		}
	})
	want := "[0s 1m0s 6m0s 21m0s 1h21m0s 5h21m0s 9h21m0s 13h21m0s 17h21m0s 21h21m0s]"
	if got := fmt.Sprint(tries); got != want {
		t.Errorf("tries after %s, want %s", got, want)
	}
}

// A bad address keeps the letter from nobody else, stays visible, and is tried again
// when somebody says so.
func TestSendRefused(t *testing.T) {
	w := waiting(t)
	w.server.Set(func(m *mailtest.Server) {
		m.OnRcpt = func(to string) error {
			if strings.HasPrefix(to, "archivist") {
				return &smtp.SMTPError{Code: 550, EnhancedCode: smtp.EnhancedCode{5, 1, 1}, Message: "no such person"}
			}
			return nil
		}
	})
	if sent := w.send(); sent.Delivered != 1 || sent.Refused != 1 || !strings.Contains(sent.Trouble, "no such person") {
		t.Fatalf("%+v", sent)
	}
	if c := w.counts(); c.Failed != 1 || c.Waiting != 0 || !strings.Contains(c.Trouble, "5.1.1 no such person") {
		t.Errorf("%+v", c)
	}
	w.now = w.now.Add(7 * 24 * time.Hour)
	if sent := w.send(); sent != (letters.Sent{}) {
		t.Errorf("tried again by itself: %+v", sent)
	}
	w.fill()
	if last := w.outbox()[1].Text; !strings.Contains(last, "1 refused by the mail server") || !strings.Contains(last, "archivist@quillmere.example") {
		t.Errorf("the next weekly letter doesn't say that one was refused:\n%s", last)
	}
	w.server.Set(func(m *mailtest.Server) { m.OnRcpt = nil })
	w.with(func(a *app.App) {
		if n, err := w.letters(a).Retry(t.Context()); err != nil || n != 3 {
			t.Errorf("Retry = %d, %v, want the refused one and the two that wait", n, err)
		}
	})
	if sent := w.send(); sent.Delivered != 3 {
		t.Errorf("%+v", sent)
	}
}

// A stop doesn't wait for a server that takes its time, and counts nothing against it.
func TestSendStops(t *testing.T) {
	w := waiting(t)
	held, release := make(chan struct{}), make(chan struct{})
	w.server.Set(func(m *mailtest.Server) {
		m.OnRcpt = func(string) error { close(held); <-release; return nil }
	})
	ctx, cancel := context.WithCancelCause(t.Context())
	stopped := errors.New("stopped")
	go func() { <-held; cancel(stopped) }()
	w.with(func(a *app.App) {
		if _, err := w.letters(a).Send(ctx); !errors.Is(err, stopped) {
			t.Errorf("%v", err)
		}
	})
	close(release)
	if c := w.counts(); c.Waiting != 2 || c.Trouble != "" {
		t.Errorf("%+v", c)
	}
}

// While one process sends, another leaves it alone.
func TestSendOnce(t *testing.T) {
	w := waiting(t)
	w.with(func(a *app.App) {
		unlock, err := a.Ledger.LockOwn(t.Context(), "letters", "another", 0, time.Now)
		if err != nil {
			t.Fatal(err)
		}
		if _, err := w.letters(a).Send(t.Context()); !errors.Is(err, fixity.ErrBusy) || !letters.Busy(err) {
			t.Errorf("%v", err)
		}
		unlock()
		if sent, err := w.letters(a).Send(t.Context()); err != nil || sent.Delivered != 2 {
			t.Errorf("%+v, %v", sent, err)
		}
	})
}

// What the ledger can't note isn't sent. What a server has taken while the ledger went away is
// noted once it is there again, and isn't sent twice meanwhile.
func TestTakenWhileTheLedgerIsAway(t *testing.T) {
	w := waiting(t)
	w.with(func(a *app.App) {
		l := w.letters(a)
		gone, cancel := context.WithCancel(t.Context())
		var hold func()
		w.server.Set(func(m *mailtest.Server) {
			m.OnData = func() error {
				if hold == nil { // somebody else writes to the ledger, for longer than is waited for
					held, end := make(chan struct{}), make(chan struct{})
					done := make(chan struct{})
					go func() {
						defer close(done)
						_ = a.Ledger.Tx(context.Background(), w.now, func(*ledger.Tx) error { close(held); <-end; return errors.New("nothing") })
					}()
					<-held
					hold = func() { close(end); <-done }
					time.AfterFunc(100*time.Millisecond, cancel)
				}
				return nil
			}
		})
		sent := make(chan error, 1)
		go func() { _, err := l.Send(gone); sent <- err }()
		<-gone.Done()
		due := 0
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
			ds, err := x.Post.DueDeliveries(w.now, 10)
			due = len(ds)
			return err
		}); err != nil || due != 1 {
			t.Errorf("%d letters are due beside the one that was taken, %v", due, err)
		}
		hold()
		<-sent
		if err := l.Settle(t.Context()); err != nil {
			t.Error(err)
		}
		w.now = w.now.Add(time.Hour)
		if s, err := w.letters(a).Send(t.Context()); err != nil || s.Delivered != 1 {
			t.Errorf("%+v, %v", s, err)
		}
		ids := map[string]int{}
		for _, m := range w.server.Got() {
			ids[m.Parse(t).Header.Get("Message-Id")+m.To]++
		}
		for id, n := range ids {
			if n != 1 {
				t.Errorf("%s came %d times", id, n)
			}
		}
		if len(ids) != 2 {
			t.Errorf("%d letters came", len(ids))
		}
	})
}

const killed = "FIRMUS_TEST_KILLED_AT"

// TestKilled: a process that ends between writing and sending, or between the
// server's yes and the note of it, loses nothing; the letter keeps its Message-ID.
func TestKilled(t *testing.T) {
	t.Parallel()
	if at := os.Getenv(killed); at != "" {
		killedChild(t, at)
		return
	}
	for _, at := range []string{"filled", "taken"} {
		t.Run(at, func(t *testing.T) {
			w := newWorld(t, "")
			w.post()
			w.now = w.now.Add(8 * 24 * time.Hour)
			cmd := exec.Command(os.Args[0], "-test.run=^TestKilled$")
			cmd.Env = append(os.Environ(), killed+"="+at, "FIRMUS_TEST_DIR="+w.dir, "FIRMUS_TEST_SERVER="+w.server.Addr, "FIRMUS_TEST_NOW="+w.now.Format(time.RFC3339))
			var out bytes.Buffer
			cmd.Stdout, cmd.Stderr = &out, &out
			taken, ended := make(chan struct{}), make(chan struct{})
			if at == "taken" {
				// The process is ended while the server says yes to the first letter.
				w.server.Set(func(m *mailtest.Server) {
					m.OnData = func() error { m.OnData = nil; close(taken); <-ended; return nil }
				})
			}
			if err := cmd.Start(); err != nil {
				t.Fatal(err)
			}
			if at == "taken" {
				<-taken
				cmd.Process.Kill()
			}
			if err := cmd.Wait(); err == nil {
				t.Fatalf("the child went on:\n%s", &out)
			}
			close(ended)
			before := len(w.server.Got())
			if at == "taken" && before != 1 || at == "filled" && before != 0 {
				t.Fatalf("%d mails before the end:\n%s", before, &out)
			}
			w.with(func(a *app.App) {
				l := w.letters(a)
				if n, err := l.Fill(t.Context()); err != nil || n != 0 {
					t.Errorf("written again: %d, %v", n, err)
				}
				left := 2
				if at == "taken" { // the process that took it may still be at it, for all that is known
					left = 1
					if sent, err := l.Send(t.Context()); err != nil || sent.Delivered != 1 {
						t.Errorf("%+v, %v", sent, err)
					}
					w.now = w.now.Add(5 * time.Minute)
					l = w.letters(a)
				}
				if sent, err := l.Send(t.Context()); err != nil || sent.Delivered != left {
					t.Errorf("%+v, %v", sent, err)
				}
			})
			ids, to := map[string]bool{}, map[string]int{}
			for _, m := range w.server.Got() {
				ids[m.Parse(t).Header.Get("Message-Id")] = true
				to[m.To]++
			}
			if len(ids) != 1 || len(to) != 2 || len(w.outbox()) != 1 {
				t.Errorf("ids %v, to %v, %d letters", ids, to, len(w.outbox()))
			}
		})
	}
}

func killedChild(t *testing.T, at string) {
	now, err := time.Parse(time.RFC3339, os.Getenv("FIRMUS_TEST_NOW"))
	if err != nil {
		t.Fatal(err)
	}
	w := &world{T: t, dir: os.Getenv("FIRMUS_TEST_DIR"), now: now}
	a := w.open()
	l := w.letters(a)
	if _, err := l.Fill(t.Context()); err != nil {
		t.Fatal(err)
	}
	if at == "filled" {
		os.Exit(7)
	}
	l.Send(t.Context())
	time.Sleep(time.Minute) // it is ended before
	os.Exit(0)
}
