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
