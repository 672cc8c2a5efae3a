package care_test

import (
	"math"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

func TestNextDueLiesInThePromiseAndIsSpread(t *testing.T) {
	const within, files = 30 * day, 10_000
	var tenths [10]int
	for id := int64(1); id <= files; id++ {
		due := care.ReadAgain(id, now, within)
		if again := care.ReadAgain(id, now, within); !again.Equal(due) {
			t.Fatalf("file %d is due at %s and at %s", id, due, again)
		}
		share := float64(due.Sub(now)) / float64(within)
		if share < 0.5 || share > 0.9 {
			t.Fatalf("file %d is due after %.3f of its promise", id, share)
		}
		tenths[min(9, int((share-0.5)/0.4*10))]++
	}
	for i, n := range tenths {
		// A tenth each; half as many or twice as many would be a heap.
		if n < files/10/2 || n > files/10*2 {
			t.Errorf("part %d of the time holds %d of %d files: %v", i, n, files, tenths)
		}
	}
}

func TestNextDueWithoutAPromise(t *testing.T) {
	for _, w := range []time.Duration{0, -1} {
		if due := care.ReadAgain(7, now, w); !due.IsZero() {
			t.Errorf("promise %d: due %s", w, due)
		}
	}
	if due := care.ReadAgain(math.MaxInt64, now, 3*365*day); due.Before(now) {
		t.Errorf("due %s, before it was read", due)
	}
}

func TestWaited(t *testing.T) {
	for _, c := range []struct {
		name  string
		since time.Time
		want  bool
	}{
		{"just now", now, false},
		{"at the end", now.Add(-3 * day), false},
		{"after the end", now.Add(-3*day - 1), true},
		{"in the future", now.Add(365 * day), false},
	} {
		if got := care.Waited(c.since, now, 3*day); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

func TestInWindow(t *testing.T) {
	access, masters := rules.Sets[1], rules.Sets[0]
	for _, c := range []struct {
		name     string
		set      care.Set
		finished bool
		changed  time.Time
		want     bool
	}{
		{"just changed", access, false, now, true},
		{"a little longer", access, false, now.Add(-3*day + 1), true},
		{"at rest long enough", access, false, now.Add(-3 * day), false},
		{"declared finished", access, true, now, false},
		{"a master has none", masters, false, now, false},
		{"a master with a window by mistake", care.Set{Role: fixity.Master, Editing: day}, false, now, false},
		{"no window configured", care.Set{Role: fixity.Access}, false, now, false},
		{"changed in the future", access, false, now.Add(300 * day), true},
	} {
		if got := care.InWindow(c.set, c.finished, c.changed, now); got != c.want {
			t.Errorf("%s: %v, want %v", c.name, got, c.want)
		}
	}
}

// A promise runs from the last arrival while a store is being filled, and of what is behind
// from when that was found.
func TestAPromiseRunsFromTheLastArrival(t *testing.T) {
	found, arrived := now.Add(-9*day), now.Add(-day)
	for _, c := range []struct {
		name          string
		state         fixity.State
		arrived, want time.Time
	}{
		{"awaited, and others arrive", fixity.Awaited, arrived, arrived},
		{"awaited, and one arrives just now", fixity.Awaited, now, now},
		{"awaited, and nothing arrived since", fixity.Awaited, found.Add(-day), found},
		{"awaited, and a wrong clock dated an arrival", fixity.Awaited, now.Add(day), found},
		{"behind", fixity.Behind, arrived, found},
	} {
		if got := (care.Copy{State: c.state, Since: found}).WaitsSince(c.arrived, now); !got.Equal(c.want) {
			t.Errorf("%s: since %s, want %s", c.name, got, c.want)
		}
	}
}
