package letters_test

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/testing/mailtest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A drive that is away is told next morning, a share after two nights, and neither
// while nobody is there or once it is back.
func TestAway(t *testing.T) {
	t.Parallel()
	cases := []struct {
		name    string
		options func(*letters.Options)
		back    int // night on which it is there again; 0 never
		want    string
	}{
		{"a drive", nil, 0, "Wed 4 Mar 08:00"},
		{"a share", func(o *letters.Options) { o.Share = func(string) bool { return true } }, 0, "Thu 5 Mar 02:00"},
		{"a share, back the second night", func(o *letters.Options) { o.Share = func(string) bool { return true } }, 2, ""},
		{"a sign-in that is dead", func(o *letters.Options) {
			o.Share = func(string) bool { return true }
		}, 0, "Wed 4 Mar 02:00"},
		{"a holiday", func(o *letters.Options) { o.Closed = func(t time.Time) bool { return t.Day() < 6 } }, 0, "Fri 6 Mar 00:00"},
	}
	for _, tc := range cases {
		t.Run(strings.ReplaceAll(tc.name, " ", "-"), func(t *testing.T) {
			t.Parallel()
			w := newWorld(t, "")
			w.options = tc.options
			reels(w, 2, 0)
			w.audit(false)
			w.post()
			w.now = w.now.Add(24 * time.Hour)
			w.move("vault", "elsewhere")
			for night := 1; night <= 4; night++ {
				if night == tc.back {
					w.move("elsewhere", "vault")
				}
				w.pass(6 * time.Hour)
				w.audit(false)
				if strings.Contains(tc.name, "sign-in") {
					w.with(func(a *app.App) { signOut(t, a, w.now) })
				}
				w.post()
				w.pass(18 * time.Hour)
			}
			got := ""
			for _, l := range w.outbox() {
				if l.Kind == ledger.LetterFirst && strings.Contains(l.Subject, "could not be reached") {
					got += l.Made.In(zone).Format("Mon 2 Jan 15:04")
				}
			}
			if got != tc.want {
				t.Errorf("told %q, want %q; %q", got, tc.want, w.subjects())
			}
		})
	}
}

// signOut makes of a store that is away one whose sign-in is refused.
func signOut(t *testing.T, a *app.App, now time.Time) {
	t.Helper()
	if err := a.Ledger.Tx(t.Context(), now, func(x *ledger.Tx) error {
		open, err := x.Findings.Open("")
		for _, f := range open {
			if f.Kind == fixity.Away {
				f.Facts = fixity.Facts{Seen: []fixity.Fact{{Is: fixity.SignedOut}}}
				err = errors.Join(err, x.Findings.Found(f.Finding, f.Step, 0, "Firmus"))
			}
		}
		return err
	}); err != nil {
		t.Fatal(err)
	}
}

// Weekly letters go by the local clock over both changes of it, one a week.
func TestWeeklySlots(t *testing.T) {
	t.Parallel()
	berlin, err := time.LoadLocation("Europe/Berlin")
	if err != nil {
		t.Skip("no time zones on this system: ", err)
	}
	w := newWorld(t, "")
	w.now = time.Date(2026, 3, 20, 12, 0, 0, 0, time.UTC)
	w.options = func(o *letters.Options) { o.Zone = berlin }
	var got []string
	w.with(func(a *app.App) {
		l := w.letters(a)
		for range 3 {
			next, err := l.Next(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			got = append(got, next.Format(time.RFC3339))
			w.now = next.Add(-time.Minute)
			if n, err := l.Fill(t.Context()); err != nil || n != 0 {
				t.Errorf("a minute too early: %d, %v", n, err)
			}
			w.now = next
			if n, err := l.Fill(t.Context()); err != nil || n != 1 {
				t.Errorf("in time: %d, %v", n, err)
			}
			if n, err := l.Fill(t.Context()); err != nil || n != 0 {
				t.Errorf("once more: %d, %v", n, err)
			}
		}
	})
	want := "[2026-03-23T09:00:00+01:00 2026-03-30T09:00:00+02:00 2026-04-06T09:00:00+02:00]"
	if fmt.Sprint(got) != want {
		t.Errorf("%v, want %s", got, want)
	}
}

// Weeks in which nothing ran give one letter that says so.
func TestWeeklyMissed(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 2, 0)
	w.post()
	w.now = time.Date(2026, 3, 25, 10, 0, 0, 0, time.UTC)
	w.post()
	w.post()
	out := w.outbox()
	if len(out) != 1 || !strings.Contains(strings.Join(strings.Fields(out[0].Text), " "), "No weekly letter was written for 9 Mar 2026 and 16 Mar 2026: Firmus did not run then.") {
		t.Fatalf("%d letters:\n%s", len(out), w.printAll())
	}
	if !strings.Contains(out[0].Subject, "NOTHING WAS CHECKED") || !strings.Contains(out[0].Subject, "Next letter Mon 30 Mar, 09:00") {
		t.Errorf("subject %q", out[0].Subject)
	}
	if strings.Contains(out[0].Text, "is intact") {
		t.Errorf("it says that something is intact, and nothing was looked at:\n%s", out[0].Text)
	}
}

// Who is back half an hour before the next weekly letter gets that one, and no second one for
// the weeks before it.
func TestWeeklyMissedShortlyBeforeTheNext(t *testing.T) {
	t.Parallel()
	for back, want := range map[time.Time]int{
		time.Date(2026, 3, 30, 8, 30, 0, 0, zone): 1,
		time.Date(2026, 3, 30, 7, 30, 0, 0, zone): 2, // one for the weeks that were missed is early enough
	} {
		w := newWorld(t, "")
		reels(w, 2, 0)
		w.post()
		w.now = back
		w.post()
		w.now = time.Date(2026, 3, 30, 9, 1, 0, 0, zone)
		w.post()
		w.post()
		out := w.outbox()
		if len(out) != want || !strings.Contains(strings.Join(strings.Fields(out[0].Text), " "), "No weekly letter was written for 9 Mar 2026") {
			t.Errorf("back at %s: %d letters, want %d:\n%s", back.Format("15:04"), len(out), want, w.printAll())
		}
	}
}

// A clock that was a year ahead doesn't silence the letters when it is right again.
func TestWrongClock(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 2, 0)
	w.post()
	right := w.now
	w.now = right.Add(365 * 24 * time.Hour)
	w.post()
	before := len(w.outbox())
	if before == 0 {
		t.Fatal("no letter a year ahead")
	}
	w.now = right
	w.pass(8 * 24 * time.Hour)
	if n := len(w.outbox()) - before; n != 1 {
		t.Errorf("%d letters in the week after: %q", n, w.subjects())
	}
}

// What was not done, and further lines, stand in the weekly letter; each line of a
// note is one line.
func TestWeeklyNotes(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 2, 0)
	w.options = func(o *letters.Options) {
		o.Missed = func(_ context.Context, store string, from, to time.Time) ([]letters.Missed, error) {
			if store != "vault" || to.Sub(from) != 7*24*time.Hour {
				return nil, nil
			}
			return []letters.Missed{{At: to.Add(-30 * time.Hour), MadeUp: to.Add(-20 * time.Hour), Why: "the computer was off"}}, nil
		}
		o.Notes = func(context.Context) ([]letters.Note, error) {
			return []letters.Note{{"Running out", "studio hard drive: 81 % full\nX: y"}}, nil
		}
	}
	w.post()
	w.now = time.Date(2026, 3, 9, 7, 0, 0, 0, time.UTC)
	w.post()
	text := strings.Join(strings.Fields(w.outbox()[0].Text), " ")
	for _, want := range []string{
		"Not done the vault hard drive: Sun 8 Mar 2026, 03:00 QVT (the computer was off; made up Sun 8 Mar 2026, 13:00 QVT)",
		"Running out studio hard drive: 81 % full\ufffdX: y",
	} {
		if !strings.Contains(text, want) {
			t.Errorf("%q isn't in\n%s", want, w.outbox()[0].Text)
		}
	}
}

// Several damaged files of one audit are one matter. What is found later in it is
// gathered until the audit ends, and its incident stays in the thread.
func TestGathered(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 30, 0)
	w.post()
	for i := range 25 {
		w.rot(fmt.Sprintf("studio/masters/QV-01%02d/QV-01%02d_A.wav", i, i), 0, 70_000)
	}
	w.now = w.now.Add(7 * time.Hour)
	a := w.open()
	l := w.letters(a)
	w.watch.File = func(fixity.Shard, string, int64) {
		w.tick(20 * time.Second)
		if _, err := l.Fill(t.Context()); err != nil {
			t.Error(err)
		}
	}
	w.audit(true, "studio")
	w.watch.File = nil
	a.Close()
	w.post()
	out := w.outbox()
	if len(out) > 3 || len(out) < 2 {
		t.Errorf("%d letters: %q", len(out), w.subjects())
	}
	for _, x := range out {
		if x.Thread != out[0].Thread {
			t.Errorf("thread %s, want %s", x.Thread, out[0].Thread)
		}
	}
	if last := out[len(out)-1]; !strings.Contains(last.Subject, "25 files (QV-0100_A and 24 more) damaged on the studio hard drive") || !strings.Contains(strings.Join(strings.Fields(last.Text), " "), "one incident") {
		t.Errorf("the last says\n%s", w.printed(last))
	}
}

// Two that fill at once write each letter once.
func TestFillTwice(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	w.post()
	w.now = w.now.Add(8 * 24 * time.Hour)
	w.with(func(a *app.App) {
		w.with(func(b *app.App) {
			done := make(chan error)
			for _, x := range []*app.App{a, b, a, b} {
				go func() { _, err := w.letters(x).Fill(t.Context()); done <- err }()
			}
			for range 4 {
				if err := <-done; err != nil {
					t.Error(err)
				}
			}
		})
	})
	if n := len(w.outbox()); n != 1 {
		t.Errorf("%d letters", n)
	}
}

// A test letter leaves without a ledger, and each address is tried by itself.
func TestTestLetter(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	w.with(func(a *app.App) {
		l, err := app.TestLetters(a.Config, func() time.Time { return w.now })
		if err != nil {
			t.Fatal(err)
		}
		w.server.Set(func(m *mailtest.Server) {
			m.OnRcpt = func(to string) error {
				if strings.HasPrefix(to, "technician") {
					return fmt.Errorf("away on holiday")
				}
				return nil
			}
		})
		got, err := l.Test(t.Context())
		if err != nil || len(got) != 3 || got[0].Trouble != "" || got[1].Trouble == "" || got[2].Trouble != "" {
			t.Fatalf("%+v, %v", got, err)
		}
	})
	mails := w.server.Got()
	if len(mails) != 2 || mails[1].To != "deputy@quillmere.example" {
		t.Fatalf("%d mails", len(mails))
	}
	types, texts := parts(t, mails[0].Parse(t))
	if strings.Join(types, " ") != "text/plain text/html text/calendar" || !strings.Contains(texts["text/plain"], "letters arrive") {
		t.Errorf("%q\n%s", types, texts["text/plain"])
	}
	if len(w.outbox()) != 0 {
		t.Error("the test letter is in the outbox")
	}
}
