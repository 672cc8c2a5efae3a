package care_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
)

// with is a copy as it comes to be in a state, changed.
func with(s fixity.State, change func(*care.Copy)) care.Copy {
	c := copyIn(s)
	change(&c)
	return c
}

// on is a copy on a disc that a version was to be burned on.
func on(c care.Copy, burned int64) care.Copy {
	c.Carrier, c.Burned = 3, burned
	return c
}

// dueIn says of a due time what it is, for texts.
func dueIn(c care.Copy) string {
	switch {
	case c.Due.Equal(care.AtOnce):
		return "at once"
	case c.Due.IsZero():
		return "now"
	case c.Due.Equal(care.Never):
		return "never"
	}
	return c.Due.Sub(now).String()
}

// What the table of states can't show: what a copy holds, since when, and what follows.
func TestAfterAtItsEdges(t *testing.T) {
	again := care.ReadAgain(7, then, given().Store.ReadWithin).Sub(now).String() // as it was read then
	first := func(within time.Duration) string { return care.FirstReading(7, now, within).Sub(now).String() }
	everywhere := given()
	everywhere.InPlace = nil
	promised, unpromised := given(), given()
	unpromised.Store.ReadWithin = 0
	for _, c := range []struct {
		name string
		c    care.Copy
		e    care.Evidence
		g    care.Given
		say  string // of what is compared
		want string
	}{
		{"a place that was read: the version", copyIn(fixity.Misplaced), care.PlaceAccepted{At: "b", Read: true, Version: 2}, given(), "state held due", "intact 2 " + again},
		{"a place that was read, and its turn came before", with(fixity.Misplaced, func(c *care.Copy) { c.Read.At = now.Add(-60 * 24 * time.Hour) }), care.PlaceAccepted{At: "b", Read: true, Version: 2}, given(), "state held due", "intact 2 at once"},
		{"a place that was read, and its turn is now", with(fixity.Misplaced, func(c *care.Copy) {
			c.Read.At = now.Add(-care.ReadAgain(7, then, given().Store.ReadWithin).Sub(then))
		}), care.PlaceAccepted{At: "b", Read: true, Version: 2}, given(), "due", "at once"},
		{"a place that was read: another thing", copyIn(fixity.Misplaced), care.PlaceAccepted{At: "b", Read: true}, given(), "state held due", "behind 2 at once"},
		{"a place that wasn't read, of a version", copyIn(fixity.Misplaced), care.PlaceAccepted{At: "b", Version: 2}, given(), "state held due", "intact 2 at once"},
		{"a place that wasn't read, of an earlier one", with(fixity.Misplaced, func(c *care.Copy) { c.Held = 1 }), care.PlaceAccepted{At: "b"}, given(), "state held", "behind 1"},
		{"a place, where no version has authority", with(fixity.Misplaced, func(c *care.Copy) { c.Held = 0 }), care.PlaceAccepted{At: "b"}, care.Given{Now: now}, "state held", "behind 0"},

		{"renamed, and filed there already", copyIn(fixity.Intact), care.Renamed{To: "b"}, given(), "state", "intact"},
		{"renamed, where every path will do", copyIn(fixity.Intact), care.Renamed{To: "b"}, everywhere, "state", "behind"},
		{"renamed while it is misplaced", copyIn(fixity.Misplaced), care.Renamed{To: "b"}, given(), "state", "behind"},
		{"another has its place", copyIn(fixity.Intact), care.Displaced{To: "b"}, given(), "state seen", "awaited false"},

		{"a sign has changed: no report is of these bytes", reported(fixity.Intact), care.Shown{Size: 1001, ModTime: 1, InodeAt: 7}, given(), "reported due", "false now"},
		{"the inode has changed: likewise", reported(fixity.Intact), care.Shown{Size: 1000, ModTime: 1, InodeAt: 8}, given(), "reported due", "false now"},
		{"nothing has changed", reported(fixity.Intact), care.Shown{Size: 1000, ModTime: 1, InodeAt: 7}, given(), "reported due", "true 1h0m0s"},
		{"missing, and shown again", copyIn(fixity.Missing), care.Shown{Size: 1000, ModTime: 1, InodeAt: 7}, given(), "state due", "missing at once"},
		{"misplaced, and shown again", copyIn(fixity.Misplaced), care.Shown{Size: 1000, ModTime: 1, InodeAt: 7}, given(), "state due", "misplaced at once"},
		{"many inodes have changed, with a promise", undue(fixity.Intact), care.Shown{Size: 1000, ModTime: 1, InodeAt: 8, Many: true}, promised, "due", first(3 * day)},
		{"many inodes have changed, without one", undue(fixity.Intact), care.Shown{Size: 1000, ModTime: 1, InodeAt: 8, Many: true}, unpromised, "due", first(30 * day)},

		{"not read, and due at the next audit", with(fixity.Intact, func(c *care.Copy) { c.Due = care.Now }), care.PutOff{}, given(), "due", "now"},
		{"not read, and due before", with(fixity.Intact, func(c *care.Copy) { c.Due = then }), care.PutOff{}, given(), "due", "0s"},
		{"not read, and due later", copyIn(fixity.Intact), care.PutOff{}, bounded(given()), "due", "1h0m0s"},
		{"not read, though ahead of all others", with(fixity.Intact, func(c *care.Copy) { c.Due = care.AtOnce }), care.PutOff{}, given(), "due", "at once"},
		{"not read, though ahead, and its day is bounded", with(fixity.Intact, func(c *care.Copy) { c.Due = care.AtOnce }), care.PutOff{}, bounded(given()), "due", "0s"},

		{"gone", with(fixity.Intact, func(c *care.Copy) { c.Due = care.AtOnce }), care.NotShown{}, given(), "state due others", "missing now true"},
		{"gone already", copyIn(fixity.Missing), care.NotShown{}, given(), "state due others", "missing 1h0m0s false"},
		{"refuted", with(fixity.Misplaced, func(c *care.Copy) { c.Due = care.AtOnce }), care.Refuted{}, given(), "state due", "missing now"},
		{"another place, and another thing was read there", copyIn(fixity.Intact), care.PlaceChanged{At: "b", Read: true, Size: 5}, given(), "state held size due", "intact 2 5 now"},

		{"another digest is reported of what is known to be wrong", with(fixity.Altered, later), care.ServiceReport{}, given(), "due", "1h0m0s"},
		{"another digest is reported of what is disputed", with(fixity.Disputed, later), care.ServiceReport{}, given(), "due", "1h0m0s"},
		{"another digest is reported", copyIn(fixity.Intact), care.ServiceReport{}, given(), "due", "now"},
		{"the same is reported again", reported(fixity.Intact), care.ServiceReport{Version: 2, Size: 1000}, given(), "reportedat judge", then.String() + " 0"},
		{"another version is reported", reported(fixity.Intact), care.ServiceReport{Version: 1, Size: 900}, given(), "reportedat state judge", now.String() + " behind 2"},
		{"reported where it never was seen, though its place elsewhere was", with(fixity.Misplaced, func(c *care.Copy) {
			c.Size, c.Reported, c.Read = -1, fixity.Evidence{Strength: fixity.Reported, At: then, OK: true}, fixity.Evidence{}
		}), care.ServiceReport{Version: 2, Size: 1000}, given(), "state due", "intact " + first(30*day)},
		{"reported, and read before", copyIn(fixity.Intact), care.ServiceReport{Version: 2, Size: 1000}, given(), "due", "1h0m0s"},
		{"reported, and neither read nor reported before", with(fixity.Intact, func(c *care.Copy) { c.Read = fixity.Evidence{} }), care.ServiceReport{Version: 2, Size: 1000}, given(), "due", first(30 * day)},

		{"wanted, and read since", with(fixity.Intact, func(c *care.Copy) { c.Read.At = now }), care.Wanted{Since: now}, given(), "due", "1h0m0s"},
		{"wanted, and read before", copyIn(fixity.Intact), care.Wanted{Since: now}, given(), "due", "at once"},
		{"wanted, and read since, maybe from memory", with(fixity.Intact, func(c *care.Copy) { c.Read.At, c.Read.Cache = now, fixity.Allowed }), care.Wanted{Since: now}, given(), "due", "at once"},

		{"a save that kept the size", copyIn(fixity.Intact), at(reading(fixity.ReadDiffers, 1000), 2), window(given()), "state saved held", "editing true 3"},
		{"a save that kept the time", copyIn(fixity.Intact), reading(fixity.ReadDiffers, 1001), window(given()), "state saved held", "editing true 3"},
		{"other bytes, and neither size nor time has changed", copyIn(fixity.Intact), reading(fixity.ReadDiffers, 1000), window(given()), "state saved held", "altered false 2"},
		{"not all bytes could be read", copyIn(fixity.Intact), at(reading(fixity.ReadUnreadable, 5), 2), given(), "state size modtime ok others", "unreadable 1000 1 false true"},
		{"not all bytes of an empty file", with(fixity.Intact, func(c *care.Copy) { c.Size = 0 }), reading(fixity.ReadUnreadable, 5), given(), "size", "0"},
		{"not all bytes of what was never seen", copyIn(fixity.Awaited), reading(fixity.ReadUnreadable, 5), given(), "size", "5"},
		{"read: intact as before", copyIn(fixity.Intact), reading(fixity.ReadIntact, 1000), given(), "ok judge facts others", "true 1 true false"},
		{"read: intact again", copyIn(fixity.Altered), reading(fixity.ReadIntact, 1000), given(), "ok judge facts others", "true 2 true false"},
		{"read: an earlier version", copyIn(fixity.Intact), reading(fixity.ReadEarlier, 900), given(), "ok judge size", "true 2 900"},
		{"read: altered now", copyIn(fixity.Intact), reading(fixity.ReadDiffers, 1000), given(), "ok judge facts others", "false 2 true true"},
		{"read: altered as before", with(fixity.Altered, func(c *care.Copy) { c.Wrong = sum("y") }), reading(fixity.ReadDiffers, 1000), given(), "judge facts others", "2 false false"},
		{"read: altered in another way", copyIn(fixity.Altered), reading(fixity.ReadDiffers, 1000), given(), "judge facts others", "2 true false"},
		{"read: the same bytes, which are a stump", with(fixity.Disputed, func(c *care.Copy) { c.Wrong = sum("y") }), stump(reading(fixity.ReadDiffers, 1000)), given(), "state facts others", "altered true true"},
		{"read: unreadable as before", copyIn(fixity.Unreadable), reading(fixity.ReadUnreadable, 1000), given(), "facts others", "true false"},

		{"on a disc: missing, never seen", copyIn(fixity.Awaited), care.OnDisc{State: fixity.Missing, Size: 5, At: now}, given(), "size", "-1"},
		{"on a disc: altered, never seen", copyIn(fixity.Awaited), care.OnDisc{State: fixity.Altered, Size: 5, At: now}, given(), "size", "5"},
		{"on a disc: altered, seen empty", with(fixity.Intact, func(c *care.Copy) { c.Size = 0 }), care.OnDisc{State: fixity.Altered, Size: 5, At: now}, given(), "size", "0"},
		{"on a disc: seen before", copyIn(fixity.Intact), care.OnDisc{State: fixity.Altered, Size: 5, At: now}, given(), "size", "1000"},

		{"on a disc: another version", on(copyIn(fixity.Awaited), 2), care.OnDisc{State: fixity.Altered, Digest: sum("y"), Holds: 1, At: now}, given(), "state held wrong", "altered 1 "},
		{"on a disc: damage, where another version was", on(with(fixity.Altered, func(c *care.Copy) { c.Held = 1 }), 2), care.OnDisc{State: fixity.Altered, Digest: sum("y"), At: now}, given(), "held wrong", "0 " + sum("y").Sum},

		{"told with its disc, and as it was", with(fixity.Altered, told), care.TimePassed{}, given(), "told settled", "altered:" + sum("x").Sum + " altered:" + sum("x").Sum},
		{"told with its disc, and other bytes now", with(fixity.Altered, told), reading(fixity.ReadDiffers, 1000), given(), "told settled", " "},
	} {
		t.Run(c.name, func(t *testing.T) {
			after, effects := care.After(c.c, c.e, c.g)
			values := map[string]any{"state": after.State, "held": after.Held, "wrong": after.Wrong.Sum, "due": dueIn(after), "seen": after.Seen(), "size": after.Size, "modtime": after.ModTime,
				"ok": after.Read.OK, "reported": after.Reported.OK, "reportedat": after.Reported.At, "judge": int(effects.Judge), "facts": effects.Facts,
				"others": effects.Others, "saved": effects.Saved, "told": after.ToldAs, "settled": after.SettledAs}
			got := ""
			for i, name := range strings.Fields(c.say) {
				if _, ok := values[name]; !ok {
					t.Fatal("no ", name)
				}
				if i > 0 {
					got += " "
				}
				got += fmt.Sprint(values[name])
			}
			if got != c.want {
				t.Errorf("%s: %s, want %s", c.say, got, c.want)
			}
		})
	}
}

func later(c *care.Copy) { c.Due = now.Add(time.Hour) }

func told(c *care.Copy) { c.ToldAs, c.SettledAs = c.Condition(), c.Condition() }

func at(e care.Reading, modified int64) care.Reading { e.ModTime = modified; return e }

// reported is a copy of which a service reported the version.
func reported(s fixity.State) care.Copy {
	return with(s, func(c *care.Copy) { c.Reported = fixity.Evidence{Strength: fixity.Reported, At: then, OK: true} })
}

// undue is a copy that isn't due for as long as anybody thinks.
func undue(s fixity.State) care.Copy { return with(s, func(c *care.Copy) { c.Due = care.Never }) }

func TestWhatAListingTells(t *testing.T) {
	k := fixity.Known{State: fixity.Intact, Size: 9, ModTime: 1, InodeAt: 7}
	in := func(s fixity.State) fixity.Known { k := k; k.State = s; return k }
	for _, c := range []struct {
		name        string
		e           care.Shown
		k           fixity.Known
		news, alone bool
	}{
		{"as known", care.Shown{Size: 9, ModTime: 1, InodeAt: 7}, k, false, false},
		{"another size", care.Shown{Size: 8, ModTime: 1, InodeAt: 7}, k, true, false},
		{"another time", care.Shown{Size: 9, ModTime: 2, InodeAt: 7}, k, true, false},
		{"another inode", care.Shown{Size: 9, ModTime: 1, InodeAt: 8}, k, true, true},
		{"another time and inode", care.Shown{Size: 9, ModTime: 2, InodeAt: 8}, k, true, false},
		{"its inode isn't told", care.Shown{Size: 9, ModTime: 1}, k, false, false},
		{"it was missing", care.Shown{Size: 9, ModTime: 1, InodeAt: 7}, in(fixity.Missing), true, false},
		{"it was elsewhere", care.Shown{Size: 9, ModTime: 1, InodeAt: 7}, in(fixity.Misplaced), true, false},
		{"it was awaited", care.Shown{Size: 9, ModTime: 1, InodeAt: 7}, in(fixity.Awaited), true, false},
	} {
		if c.e.News(c.k) != c.news || c.e.InodeAlone(c.k) != c.alone {
			t.Errorf("%s: news %t, the inode alone %t", c.name, c.e.News(c.k), c.e.InodeAlone(c.k))
		}
	}
}

func TestWhoseTurnItIs(t *testing.T) {
	const promise = 10 * day
	due := []time.Time{care.AtOnce, care.Now, now.Add(-time.Nanosecond), now, now.Add(time.Nanosecond), now.Add(promise), now.Add(promise + 1), care.Never}
	for _, c := range []struct {
		name string
		turn care.Turn
		has  string // one letter a due time
	}{
		{"full", care.TurnOf(true, false, promise, now), "yyyyyyyy"},
		{"ahead alone", care.TurnOf(false, true, promise, now), "ynnnnnnn"},
		{"what is due", care.TurnOf(false, false, promise, now), "yyyynnyn"},
		{"what is due, without a promise", care.TurnOf(false, false, 0, now), "yyyynnnn"},
	} {
		got := ""
		for _, d := range due {
			got += map[bool]string{true: "y", false: "n"}[c.turn.Has(d)]
		}
		if got != c.has {
			t.Errorf("%s: %s, want %s", c.name, got, c.has)
		}
	}
	for _, s := range states {
		for size, seen := range map[int64]bool{-1: false, 0: true, 9: true} {
			c := with(s, func(c *care.Copy) { c.Size, c.Due = size, care.AtOnce })
			if c.Seen() != seen {
				t.Errorf("of %d bytes: seen %t", size, c.Seen())
			}
			if want := seen && s != fixity.Missing && s != fixity.Misplaced; c.ReadAtOnce() != want {
				t.Errorf("%s of %d bytes: read at once %t", s, size, c.ReadAtOnce())
			}
			if c.Due = care.Now; c.ReadAtOnce() || c.DueAtOnce() {
				t.Errorf("%s is due at the next audit, and read at once", s)
			}
			for due, want := range map[time.Time]bool{care.AtOnce: true, care.Now: true, now: false} {
				if c.Due = due; c.DueNow() != want {
					t.Errorf("%s is due %s: now %t", s, due, c.DueNow())
				}
			}
		}
	}
	for _, c := range []struct {
		aDay, read int64
		want       bool
	}{{0, 1 << 40, true}, {-1, 9, true}, {1, 1, true}, {1, 2, false}, {100, 199, true}, {100, 200, false}} {
		if got := care.MayRunAhead(care.Store{ReadADay: c.aDay}, c.read); got != c.want {
			t.Errorf("%d of %d bytes a day: %t", c.read, c.aDay, got)
		}
	}
	if a, b := care.Cost(fixity.Altered, 7), care.Cost(fixity.Intact, 7); a != 14 || b != 7 {
		t.Errorf("%d and %d bytes", a, b)
	}
}

// First readings are spread over nine tenths of a promise, and readings over its second half.
func TestReadingsAreSpread(t *testing.T) {
	const within = 1000 * time.Hour
	var first, again []time.Duration
	for file := range int64(2000) {
		first = append(first, care.FirstReading(file, now, within).Sub(now))
		again = append(again, care.ReadAgain(file<<8, now, within).Sub(now))
	}
	for name, c := range map[string]struct {
		of       []time.Duration
		from, to time.Duration
	}{"first": {first, 0, within * 9 / 10}, "again": {again, within / 2, within * 9 / 10}} {
		least, most := slices.Min(c.of), slices.Max(c.of)
		if least < c.from || least > c.from+within/50 || most > c.to || most < c.to-within/50 {
			t.Errorf("%s: from %s to %s", name, least, most)
		}
		slices.Sort(c.of)
		if n := len(slices.Compact(c.of)); n < 500 {
			t.Errorf("%s: %d times of 2000 files", name, n)
		}
	}
	if got := care.FirstReading(7, now, 0); !got.Equal(care.Never) {
		t.Errorf("without a promise: %s", got)
	}
	if care.Never.Year() < 2100 {
		t.Errorf("never is %s", care.Never)
	}
}

// Bounds that are quoted to people.
func TestBounds(t *testing.T) {
	for name, got := range map[string][2]time.Duration{
		"a master rests":             {care.MasterRest, 15 * time.Minute},
		"a promise is late":          {care.LateGrace, 24 * time.Hour},
		"a drive fails":              {care.FailingWithin, 720 * time.Hour},
		"a new master rests":         {care.Set{Role: fixity.Master, Editing: day}.Rest(), 15 * time.Minute},
		"a new access file rests":    {care.Set{Role: fixity.Access, Editing: day}.Rest(), day},
		"one that is never edited":   {care.Set{Role: fixity.Access}.Rest(), time.Minute},
		"one that is edited a spell": {care.Set{Role: fixity.Access, Editing: time.Second}.Rest(), time.Minute},
	} {
		if got[0] != got[1] {
			t.Errorf("%s: %s, want %s", name, got[0], got[1])
		}
	}
	for files, want := range map[int]bool{0: false, 1: false, 2: true, 3: true} {
		if care.IsFailing(files) != want {
			t.Errorf("%d unreadable files: failing %t", files, !want)
		}
	}
	for retried, want := range map[int64]bool{0: true, 1: true, 2: false} {
		if care.FewRetries(retried, 1000) != want {
			t.Errorf("%d of 1000 sectors: few %t", retried, !want)
		}
	}
	faded := func(retried int64) bool {
		r := care.DiscReading{Drive: "d", Speed: 8, Sectors: 1000, Retried: 3, ControlClean: true}
		worse := r
		worse.Retried = retried
		_, _, yes := care.Fading([]care.DiscReading{r, worse, worse})
		return yes
	}
	if faded(29) || !faded(30) {
		t.Error("ten times as many sectors are the bound")
	}
	for gain, want := range map[float64]bool{5.25: false, 5.5: true, 6: true, 6.5: true, 6.75: false} {
		if (care.DiscClass{Gain: 6, Within: 0.5}).Covers(gain) != want {
			t.Errorf("%g dB: covered %t", gain, !want)
		}
	}
}

func TestWhatStatesMean(t *testing.T) {
	say := func(of func(fixity.State) bool) (out []fixity.State) {
		for _, s := range care.States {
			if of(s) {
				out = append(out, s)
			}
		}
		return out
	}
	for name, c := range map[string]struct {
		of   func(fixity.State) bool
		want []fixity.State
	}{
		"holds the version": {care.HoldsVersion, []fixity.State{fixity.Intact, fixity.Editing, fixity.Behind, fixity.Misplaced}},
		"whole":             {care.Whole, []fixity.State{fixity.Intact, fixity.Editing}},
		"read in turn":      {care.ReadInTurn, []fixity.State{fixity.Intact, fixity.Editing, fixity.Behind}},
		"waits":             {care.Waits, []fixity.State{fixity.Awaited, fixity.Behind}},
	} {
		if d := cmp.Diff(c.want, say(c.of)); d != "" {
			t.Errorf("%s (-want +got):\n%s", name, d)
		}
	}
}

func TestWhatStoresKeep(t *testing.T) {
	r := care.Rules{Copies: 3, Places: 3, Stores: []care.Store{
		{Name: "studio", Kind: "disk", Sets: []string{"masters"}}, {Name: "vault", Kind: "disk", Place: "Safe", Sets: []string{"masters"}},
		{Name: "barn", Kind: "disk", Sets: []string{"access"}}, {Name: "shelf", Kind: "optical"},
	}}
	bare := r.Without([]string{"shelf"})
	for _, c := range []struct {
		r          care.Rules
		store, set string
		want       bool
	}{
		{r, "studio", "masters", true}, {r, "studio", "access", false}, {r, "shelf", "access", true}, {r, "attic", "masters", false}, {r, care.UnnamedDiscs, "masters", false},
		{bare, care.UnnamedDiscs, "masters", true}, {bare, "shelf", "masters", false}, {bare, "barn", "masters", false},
	} {
		if got := c.r.Keeps(c.store, c.set); got != c.want {
			t.Errorf("%s keeps %s: %t", c.store, c.set, got)
		}
	}
	if a, b := r.Discs(), bare.Discs(); a != "shelf" || b != care.UnnamedDiscs {
		t.Errorf("discs are in %s, and in %s", a, b)
	}
	for store, want := range map[string]string{"vault": "Safe", "studio": "of studio", "attic": "of attic"} {
		if got := r.PlaceOf(store); got != want {
			t.Errorf("%s lies in %q", store, got)
		}
	}
	for filling, want := range map[string][2]int{"": {2, 2}, "vault": {1, 1}, "barn": {2, 2}} {
		copies, places := r.Asked("masters", func(s string) bool { return s == filling })
		if got := [2]int{copies, places}; got != want {
			t.Errorf("while %q is filled: %v", filling, got)
		}
	}
}

func TestWhereTheSystemDoesntSay(t *testing.T) {
	r := care.Rules{Stores: []care.Store{{Name: "studio", Kind: "disk"}, {Name: "vault", Kind: "disk"}, {Name: "safe", Kind: "disk"}}}
	for _, c := range []struct {
		name    string
		volumes map[string]string
		want    string
	}{
		{"nothing is known", map[string]string{"studio": "", "vault": ""}, "[]"},
		{"of the other nothing is known", map[string]string{"studio": care.UnsaidVolume}, "[]"},
		{"of the first nothing is known", map[string]string{"vault": care.UnsaidVolume}, "[]"},
		{"of the first it isn't said", map[string]string{"studio": care.UnsaidVolume, "vault": "a"}, "[{studio [vault] true}]"},
		{"of the second it isn't said", map[string]string{"studio": "a", "vault": care.UnsaidVolume}, "[{studio [vault] true}]"},
		{"of neither is it said", map[string]string{"studio": care.UnsaidVolume, "vault": care.UnsaidVolume}, "[{studio [vault] true}]"},
		{"both are known", map[string]string{"studio": "a", "vault": "a"}, "[{studio [vault] false}]"},
		{"one of two isn't said", map[string]string{"studio": "a", "vault": care.UnsaidVolume, "safe": "a"}, "[{studio [vault safe] true} {vault [safe] true}]"},
	} {
		on := map[care.RootOf]string{}
		for s, v := range c.volumes {
			on[root(s)] = v
		}
		if got := fmt.Sprint(r.OnVolumes(on).Shared()); got != c.want {
			t.Errorf("%s: %s, want %s", c.name, got, c.want)
		}
	}
	if n := r.OnVolumes(nil).Drives([]string{"studio", "vault", "attic"}); n != 3 {
		t.Errorf("%d drives", n)
	}
}

// One device has one name: the least of those that its roots say, and one of ours if none does.
func TestOneDeviceHasOneName(t *testing.T) {
	fresh := func() string { return "1" }
	got := care.VolumesOf(nil, map[care.RootOf]fixity.Lies{
		root("a"): {Device: "8:1", ID: "ee"}, root("b"): {Device: "8:1", ID: "dd"}, root("c"): {Device: "8:1", ID: "ff"},
		root("d"): {Device: "8:2", Vague: true}, root("e"): {Device: "8:2"},
	}, fresh)
	want := map[care.RootOf]string{root("a"): "dd", root("b"): "dd", root("c"): "dd", root("d"): care.UnsaidVolume, root("e"): "named 1"}
	if d := cmp.Diff(want, got); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

func TestWhatIsTellableOfALoss(t *testing.T) {
	if f := (care.Loss{}).Facts(); len(f) != 0 {
		t.Errorf("of no loss: %+v", f)
	}
	want := []fixity.Fact{{Is: fixity.Shorter, For: time.Minute, Was: time.Hour}}
	if d := cmp.Diff(want, care.Loss{Was: time.Hour, Now: time.Minute}.Facts()); d != "" {
		t.Errorf("(-want +got):\n%s", d)
	}
}

// A store that can count for another drive makes room, whichever is asked first.
func TestStoresMakeRoom(t *testing.T) {
	r := care.Rules{Stores: []care.Store{{Name: "studio", Kind: "disk"}, {Name: "mirror", Kind: "disk", Follows: "studio"}, {Name: "vault", Kind: "disk"}}}.
		OnVolumes(map[care.RootOf]string{root("studio"): "a", root("mirror"): "b", root("vault"): "a"})
	for range 50 { // in any order
		if n := r.CountIndependent([]string{"studio", "mirror", "vault"}); n != 2 {
			t.Fatalf("they count as %d", n)
		}
	}
}
