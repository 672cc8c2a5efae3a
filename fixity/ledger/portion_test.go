package ledger_test

import (
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
		w.view(func(x *ledger.Tx) (err error) { n, err = x.ServiceRead("cloud", at); return err })
		if n != want {
			t.Errorf("%s: %d, want %d", at, n, want)
		}
	}
	add(evening.AddDate(0, 0, 100), "cloud", 1) // what is long past is forgotten
	var n int64
	w.view(func(x *ledger.Tx) (err error) { n, err = x.ServiceRead("cloud", evening); return err })
	if n != 0 {
		t.Errorf("after 100 days: %d", n)
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
			w.tx(func(x *ledger.Tx) error { return x.PutLogToken(c.put, c.folder, c.token) })
		}
		var got string
		w.view(func(x *ledger.Tx) (err error) { got, err = x.LogToken("cloud", c.ask); return err })
		if got != c.want {
			t.Errorf("%+v: %q", c, got)
		}
	}
}
