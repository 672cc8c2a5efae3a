package ledger_test

import (
	"fmt"
	"slices"
	"testing"
	"time"

	"firmus/fixity/ledger"
)

// TestServiceRead: a day begins at midnight by the local clock, and the count of one
// says nothing of another.
func TestServiceRead(t *testing.T) { onEach(t, testServiceRead) }

func testServiceRead(t *testing.T, d database) {
	zone := time.FixedZone("east", 3*3600)
	w := newWorld(t, d, func(o *ledger.Options) { o.Zone = zone })
	evening := time.Date(2026, 3, 2, 23, 30, 0, 0, zone)
	add := func(at time.Time, store string, n int64) {
		t.Helper()
		if err := w.l.CountServiceRead(t.Context(), at, store, n); err != nil {
			t.Fatal(err)
		}
	}
	add(evening, "cloud", 100)
	add(evening.Add(10*time.Minute), "cloud", 20)
	add(evening.Add(time.Hour), "cloud", 3)
	add(evening, "other", 7)
	for at, want := range map[time.Time]int64{
		evening: 120, evening.UTC(): 120, evening.Add(40 * time.Minute): 3, evening.Add(-24 * time.Hour): 0, evening.Add(48 * time.Hour): 0,
	} {
		var n int64
		w.view(func(x *ledger.Tx) (err error) { n, err = x.Services.ReadSince("cloud", at); return err })
		if n != want {
			t.Errorf("%s: %d, want %d", at, n, want)
		}
	}
	add(evening.AddDate(0, 0, 100), "cloud", 1) // what is long past is forgotten
	var n int64
	w.view(func(x *ledger.Tx) (err error) { n, err = x.Services.ReadSince("cloud", evening); return err })
	if n != 0 {
		t.Errorf("after 100 days: %d", n)
	}
}

// TestPortion: in an audit the copies that have been due longest are read, in whatever
// folder they lie, as many as fit into the day; those read before count.
func TestPortion(t *testing.T) { onEach(t, testPortion) }

func testPortion(t *testing.T, d database) {
	w := newWorld(t, d, func(o *ledger.Options) {
		o.Rules.Stores = slices.Clone(o.Rules.Stores)
		o.Rules.Stores[1].ReadADay = 250_000
	})
	const size = 100_004
	var all []ledger.File
	for i := range 5 {
		all = append(all, w.take(masters, fmt.Sprintf("QV-%04d/a.wav", 105-i), fmt.Sprintf("%04d", i), true, "vault"))
		w.pass(day)
	}
	w.pass(35 * day)
	for n, want := range []struct{ read, putOff int64 }{{2, 3}, {0, 3}, {2, 1}, {1, 0}} {
		due := map[int]time.Time{}
		for i, f := range all {
			due[i] = w.copyOf(f, "vault").Due
		}
		var dueBytes int64
		w.view(func(x *ledger.Tx) (err error) { dueBytes, err = x.Audits.DueBytes("vault", w.clock); return err })
		if want := map[int]int64{0: 250_000, 1: 250_000 - 2*size}; n < len(want) && dueBytes != want[n] {
			t.Errorf("audit %d: %d bytes are due, want %d", n, dueBytes, want[n])
		}
		a := w.audit("vault", order{})
		var may ledger.Portion
		w.view(func(x *ledger.Tx) (err error) { may, err = x.Audits.Portion(a.ID); return err })
		var read int64
		var last, first time.Time // due, of those that were read, and of those that weren't
		for i, f := range all {
			switch {
			case w.copyOf(f, "vault").Read.At.Equal(w.clock):
				read++
				if due[i].After(last) {
					last = due[i]
				}
			case !due[i].After(w.clock) && (first.IsZero() || due[i].Before(first)):
				first = due[i]
			}
		}
		if read != want.read || may.PutOff != want.putOff || may.PutOffLen != size*want.putOff || !first.IsZero() && first.Before(last) {
			t.Errorf("audit %d: read %d, put off %d (%d bytes), due up to %s and from %s on; want %d, %d", n, read, may.PutOff, may.PutOffLen, last, first, want.read, want.putOff)
		}
		if err := w.l.CountServiceRead(t.Context(), w.clock, "vault", size*read); err != nil {
			t.Fatal(err)
		}
		if n == 0 {
			w.pass(time.Hour) // the same day
		} else {
			w.pass(day)
		}
	}
	// A full one knows no bound.
	w.pass(40 * day)
	w.audit("vault", order{full: true})
	for _, f := range all {
		if x := w.copyOf(f, "vault"); !x.Read.At.Equal(w.clock) {
			t.Errorf("full: %s was read %s", f.Path, x.Read.At)
		}
	}
}

func TestLogToken(t *testing.T) { onEach(t, testLogToken) }

func testLogToken(t *testing.T, d database) {
	w := newWorld(t, d)
	for _, c := range []struct{ put, folder, token, ask, want string }{
		{"", "", "", "F1", ""},
		{"cloud", "F1", "7", "F1", "7"},
		{"cloud", "F1", "9", "F1", "9"},
		{"other", "F1", "1", "F1", "9"},
		{"cloud", "F2", "3", "F1", ""}, // another folder has another log
		{"", "", "", "F2", "3"},
	} {
		if c.put != "" {
			w.tx(func(x *ledger.Tx) error { return x.Services.PutLogToken(c.put, c.folder, c.token) })
		}
		var got string
		w.view(func(x *ledger.Tx) (err error) { got, err = x.Services.LogToken("cloud", c.ask); return err })
		if got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
