package care_test

import (
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// A first reading is outvoted only where it was of the drive, and not long ago: what memory
// gave was written so, and what a drive lost since is damage.
func TestWhatMayBeRotOutvotesNothing(t *testing.T) {
	day := 24 * time.Hour
	for _, c := range []struct {
		name  string
		cache fixity.Cache
		ago   time.Duration
		size  int64
		want  fixity.State
	}{
		{"past the cache, a day ago", fixity.Bypassed, day, 1000, fixity.Unsteady},
		{"the cache was thrown out", fixity.Dropped, day, 1000, fixity.Unsteady},
		{"a week ago", fixity.Bypassed, 7 * day, 1000, fixity.Unsteady},
		{"longer ago", fixity.Bypassed, 7*day + 1, 1000, fixity.Altered},
		{"memory may have answered", fixity.Allowed, day, 1000, fixity.Altered},
		{"nobody knows what answered", fixity.Unknown, day, 1000, fixity.Altered},
		{"another length", fixity.Bypassed, day, 999, fixity.Altered},
	} {
		r := given()
		r.Sole = true
		was := copyIn(fixity.Intact)
		was.Sole, was.Read.Cache, was.Read.At = true, c.cache, now.Add(-c.ago)
		after, out := care.After(was, reading(fixity.ReadDiffers, c.size), r)
		if after.State != c.want || out.Outvoted != (c.want == fixity.Unsteady) {
			t.Errorf("%s: %s, outvoted: %t", c.name, after.State, out.Outvoted)
		}
		if there, out := care.After(misplaced(was), care.Outvoted{Size: c.size, ModTime: 1, At: now}, r); out.Outvoted != (c.want == fixity.Unsteady) {
			t.Errorf("%s, elsewhere: %s, outvoted: %t", c.name, there.State, out.Outvoted)
		}
	}
}

func misplaced(c care.Copy) care.Copy { c.State = fixity.Misplaced; return c }

// What is taken in on one day, into one store only, is read again in the night: neither a
// moment later over the same cable, nor only when the store's promise wants it.
func TestSecondReadingIsInTheNight(t *testing.T) {
	day := time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)
	for _, hour := range []time.Duration{9, 16} {
		at := day.Add(hour * time.Hour)
		taken := care.TakenIn{Found: true, Version: 1, Size: 1000, ModTime: 1, At: at, Cache: fixity.Bypassed, Sole: true}
		alone, _ := care.After(copyIn(fixity.Awaited), taken, given())
		if soon, night := at.Add(time.Hour), day.Add(22*time.Hour); !alone.Due.After(soon) || alone.Due.After(night) {
			t.Errorf("taken in at %s: due again at %s", at, alone.Due)
		}
		taken.Sole = false
		if backed, _ := care.After(copyIn(fixity.Awaited), taken, given()); !backed.Due.After(day.Add(24 * time.Hour)) {
			t.Errorf("taken in at %s, with a list: due again at %s", at, backed.Due)
		}
	}
}

// Where stores hold different bytes when a file is taken in, it has no version, so no reading
// is the one that a version was made of.
func TestADisputedFileHasNoOnlyReading(t *testing.T) {
	taken := care.TakenIn{Found: true, Digest: sum("x"), Size: 1000, ModTime: 1, At: now, Cache: fixity.Bypassed, Sole: true}
	if c, _ := care.After(copyIn(fixity.Awaited), taken, given()); c.State != fixity.Disputed || c.Sole || c.Due != care.Now {
		t.Errorf("%s, its only reading: %t, due %s", c.State, c.Sole, c.Due)
	}
}

// Two readings that agree outvote the only one that a version was made of. Where a list, a
// person or another store stands behind the version, they are damage; and a second reading
// that gives the same bytes, or none, outvotes nothing.
func TestOnlyOtherBytesOutvoteAndOnlyOneReading(t *testing.T) {
	for _, c := range []struct {
		name    string
		outcome fixity.Outcome
		alone   bool
		want    fixity.State
	}{
		{"other bytes", fixity.ReadDiffers, true, fixity.Unsteady},
		{"other bytes, and something stands behind the version", fixity.ReadDiffers, false, fixity.Altered},
		{"the same bytes", fixity.ReadIntact, true, fixity.Intact},
		{"not all bytes", fixity.ReadUnreadable, true, fixity.Unreadable},
		{"other bytes each time", fixity.ReadUnsteady, true, fixity.Unsteady},
	} {
		was, g := copyIn(fixity.Intact), given()
		was.Sole, was.Read.At, g.Sole = true, now.Add(-24*time.Hour), c.alone
		is, out := care.After(was, reading(c.outcome, was.Size), g)
		if outvoted := c.alone && c.outcome == fixity.ReadDiffers; is.State != c.want || out.Outvoted != outvoted || outvoted != (is.Held > g.Newest) {
			t.Errorf("%s: %s, outvoted %t, of version %d", c.name, is.State, out.Outvoted, is.Held)
		}
	}
}

// A copy is no longer the only one that was read once when it was read again, past the cache,
// or when its file was written to. Until then its bytes are nobody's but its one reading's.
func TestWhatEndsAnOnlyReading(t *testing.T) {
	was := copyIn(fixity.Intact)
	was.Sole, was.Read.At = true, now.Add(-24*time.Hour)
	read := func(o fixity.Outcome, change func(*care.Reading)) care.Reading {
		r := reading(o, was.Size)
		change(&r)
		return r
	}
	for _, c := range []struct {
		name string
		read care.Reading
		want bool // it goes on
	}{
		{"read again", read(fixity.ReadIntact, func(*care.Reading) {}), false},
		{"read again from memory, which the first reading may have filled", read(fixity.ReadIntact, func(r *care.Reading) { r.Cache = fixity.Allowed }), true},
		{"not to be read", read(fixity.ReadUnreadable, func(*care.Reading) {}), true},
		{"other bytes each time", read(fixity.ReadUnsteady, func(*care.Reading) {}), true},
		{"other bytes each time, no inode is told", read(fixity.ReadUnsteady, func(r *care.Reading) { r.InodeAt = 0 }), true},
		{"other bytes each time, of another inode", read(fixity.ReadUnsteady, func(r *care.Reading) { r.InodeAt = 8 }), false},
		{"other bytes each time, written to since", read(fixity.ReadUnsteady, func(r *care.Reading) { r.ModTime = 2 }), false},
	} {
		g := given()
		g.Sole = true
		if is, _ := care.After(was, c.read, g); is.Sole != c.want {
			t.Errorf("%s: the only reading: %t, want %t", c.name, is.Sole, c.want)
		}
	}
	was.InodeAt = 0
	if is, _ := care.After(was, reading(fixity.ReadUnsteady, was.Size), care.Given{Now: now, Store: given().Store, Current: 2, Newest: 2, Sole: true}); !is.Sole {
		t.Error("other bytes each time, of a file whose inode nobody knew: no longer the only reading")
	}
}
