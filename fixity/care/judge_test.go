package care_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
)

const day = 24 * time.Hour

// Mirror is kept in step with studio by a program; vault and cloud stand alone.
var rules = care.Rules{
	Stores: []care.Store{
		{Name: "studio", Kind: "disk", Sets: []string{"masters", "access"}, Arrivals: true, ExpectWithin: 3 * day, ReadWithin: 30 * day},
		{Name: "mirror", Kind: "disk", Sets: []string{"masters", "access"}, Follows: "studio", ExpectWithin: 3 * day},
		{Name: "vault", Kind: "disk", Sets: []string{"masters", "access"}, ExpectWithin: 3 * day},
		{Name: "cloud", Kind: "cloud", Sets: []string{"masters", "access"}, ExpectWithin: 3 * day},
	},
	Sets: []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access, Editing: 3 * day}},
}

// versionAt is since when version 1 is the file's.
var versionAt = now.Add(-30 * time.Minute)

func intact(store string) care.Holding { return in(store, fixity.Intact, shown) }

// in is a copy in a state; one that holds the version was shown to.
func in(store string, s fixity.State, change ...func(*care.Holding)) care.Holding {
	h := care.Holding{Copy: care.Copy{Store: store, Set: "masters", State: s, Since: now.Add(-time.Hour)}}
	for _, c := range change {
		c(&h)
	}
	return h
}

func shown(h *care.Holding)    { h.Held = 1 }
func lesser(h *care.Holding)   { h.Lesser = true }
func settled(h *care.Holding)  { h.SettledAs = h.Condition() }
func unproved(h *care.Holding) { h.Unproved = true }
func linked(h *care.Holding)   { h.SameAs = "studio" }
func wentBack(h *care.Holding) { h.Since = versionAt.Add(time.Minute) }
func longAgo(h *care.Holding)  { h.Since, h.Overdue = now.Add(-4*day), true }
func unlisted(h *care.Holding) { h.Overdue = false }
func arrived(h *care.Holding)  { h.Arrived = now.Add(-time.Hour) }
func burned(n int64) func(*care.Holding) {
	return func(h *care.Holding) { h.Carrier, h.Burned = 5, n }
}
func holds(n int64) func(*care.Holding) { return func(h *care.Holding) { h.Held = n } }
func blocks(b ...bool) func(*care.Holding) {
	return func(h *care.Holding) { h.Blocks = b }
}

func TestJudge(t *testing.T) {
	masters, access := rules.Sets[0], rules.Sets[1]
	none := care.Verdict{IntactIn: []string{}}
	quiet := func(k fixity.State, in ...string) care.Verdict {
		return care.Verdict{Kind: fixity.Kind(k), IntactIn: append([]string{}, in...)}
	}
	found := func(k fixity.State, u fixity.Urgency, s care.Step, in ...string) care.Verdict {
		return care.Verdict{Finding: true, Kind: fixity.Kind(k), Urgency: u, Step: s, IntactIn: append([]string{}, in...)}
	}
	mergeable := func(v care.Verdict) care.Verdict { v.Mergeable = true; return v }
	for _, c := range []struct {
		name  string
		store string
		c     care.Case // its Version is one less: 0 stands for version 1, -1 for none
		want  care.Verdict
		disc  int64
	}{
		{"nothing is expected there", "cloud", care.Case{Set: masters, Holdings: []care.Holding{intact("studio")}}, quiet("", "studio"), 0},
		{"nothing is known at all", "cloud", care.Case{Set: masters}, none, 0},
		{"intact", "studio", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), intact("vault")}}, quiet(fixity.Intact, "studio", "vault"), 0},
		{"intact, the only one", "studio", care.Case{Set: masters, Holdings: []care.Holding{intact("studio")}}, quiet(fixity.Intact, "studio"), 0},
		{"editing", "studio", care.Case{Set: access, Holdings: []care.Holding{in("studio", fixity.Editing, shown)}}, quiet(fixity.Editing, "studio"), 0},

		{"awaited within the promise", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Awaited)}}, quiet(fixity.Awaited, "studio"), 0},
		{"awaited at the end of the promise", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Awaited, func(h *care.Holding) { h.Since = now.Add(-3 * day) })}},
			quiet(fixity.Awaited, "studio"), 0},
		{"awaited since the future", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Awaited, func(h *care.Holding) { h.Since = now.Add(300 * day) })}},
			quiet(fixity.Awaited, "studio"), 0},
		{"awaited too long, one copy", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Awaited, longAgo)}}, found(fixity.Awaited, fixity.AtRisk, care.StepCopy, "studio"), 0},
		{"awaited too long, and its store wasn't listed since", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Awaited, longAgo, unlisted)}}, quiet(fixity.Awaited, "studio"), 0},
		{"awaited too long, a follower is no second copy", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), intact("mirror"), in("vault", fixity.Awaited, longAgo)}},
			found(fixity.Awaited, fixity.AtRisk, care.StepCopy, "studio", "mirror"), 0},
		{"awaited too long, two copies", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), intact("cloud"), in("vault", fixity.Awaited, longAgo)}},
			found(fixity.Awaited, fixity.Tidy, care.StepCopy, "studio", "cloud"), 0},
		{"awaited too long, none intact", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), in("vault", fixity.Awaited, longAgo)}},
			found(fixity.Awaited, fixity.NoneIntact, care.StepOther), 0},
		{"behind within the promise", "vault", care.Case{Set: access, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Behind)}}, quiet(fixity.Behind, "studio"), 0},
		{"an earlier version came back where files arrive", "studio", care.Case{Set: access, Holdings: []care.Holding{in("studio", fixity.Behind, wentBack), intact("vault")}}, found(fixity.Behind, fixity.Tidy, care.StepCopy, "vault"), 0},
		{"left behind where files arrive", "studio", care.Case{Set: access, Holdings: []care.Holding{in("studio", fixity.Behind), intact("vault")}}, quiet(fixity.Behind, "vault"), 0},
		{"an earlier version came back elsewhere", "vault", care.Case{Set: access, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Behind, wentBack)}}, quiet(fixity.Behind, "studio"), 0},
		{"behind where files arrive, and no version has authority", "studio", care.Case{Set: access, Version: -1, Holdings: []care.Holding{in("studio", fixity.Behind, shown, wentBack)}}, quiet(fixity.Behind), 0},
		{"renamed, and not followed for too long", "vault", care.Case{Set: access, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Behind, longAgo, shown)}}, found(fixity.Behind, fixity.Tidy, care.StepMoveBack, "studio", "vault"), 0},
		{"behind too long", "vault", care.Case{Set: access, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Behind, longAgo)}}, found(fixity.Behind, fixity.Tidy, care.StepCopy, "studio"), 0},
		{"behind too long, none intact", "vault", care.Case{Set: access, Holdings: []care.Holding{in("studio", fixity.Missing), in("vault", fixity.Behind, longAgo)}},
			found(fixity.Behind, fixity.NoneIntact, care.StepOther), 0},
		{"what is behind holds an earlier version", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), in("vault", fixity.Behind)}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},

		{"or the version under its former name", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), in("vault", fixity.Behind, shown)}},
			found(fixity.Altered, fixity.AtRisk, care.StepRecover, "vault"), 0},
		{"altered master, intact elsewhere", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, shown), intact("vault")}}, found(fixity.Altered, fixity.AtRisk, care.StepRecover, "vault"), 0},
		{"altered master in a store that is no arrivals", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered)}}, found(fixity.Altered, fixity.AtRisk, care.StepRecover, "studio"), 0},
		{"altered master, two elsewhere, is at risk all the same", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), intact("vault"), intact("cloud")}},
			found(fixity.Altered, fixity.AtRisk, care.StepRecover, "vault", "cloud"), 0},
		{"altered, none intact", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, shown), in("vault", fixity.Missing, shown)}}, found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"altered, only its description", "studio", care.Case{Set: masters, Anatomy: fixity.DescriptionOnly, Holdings: []care.Holding{in("studio", fixity.Altered), intact("vault")}},
			found(fixity.Altered, fixity.Tidy, care.StepRecover, "vault"), 0},
		{"altered description, none intact", "studio", care.Case{Set: masters, Anatomy: fixity.DescriptionOnly, Holdings: []care.Holding{in("studio", fixity.Altered)}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"altered access file, one elsewhere", "studio", care.Case{Set: access, Holdings: []care.Holding{in("studio", fixity.Altered), intact("vault")}}, found(fixity.Altered, fixity.AtRisk, care.StepRecover, "vault"), 0},
		{"altered access file, two elsewhere", "vault", care.Case{Set: access, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered), intact("cloud")}},
			found(fixity.Altered, fixity.Tidy, care.StepRecover, "studio", "cloud"), 0},
		{"altered access file, a follower is no second copy", "vault", care.Case{Set: access, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered), intact("mirror")}},
			found(fixity.Altered, fixity.AtRisk, care.StepRecover, "studio", "mirror"), 0},
		{"a lesser copy is none", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), in("vault", fixity.Intact, shown, lesser)}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"a copy that was never shown is none", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), in("vault", fixity.Intact)}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"altered and settled", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, settled), intact("vault")}}, quiet(fixity.Altered, "vault"), 0},
		{"what is settled elsewhere is no copy", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, settled, shown), in("vault", fixity.Missing)}},
			found(fixity.Missing, fixity.NoneIntact, care.StepOther), 0},

		{"missing", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Missing, shown), intact("vault")}}, found(fixity.Missing, fixity.AtRisk, care.StepRecover, "vault"), 0},
		{"missing everywhere", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Missing, shown), in("vault", fixity.Missing, shown)}}, found(fixity.Missing, fixity.NoneIntact, care.StepOther), 0},
		{"missing and settled", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Missing, settled), intact("vault")}}, quiet(fixity.Missing, "vault"), 0},
		{"unreadable", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Unreadable, shown)}}, found(fixity.Unreadable, fixity.AtRisk, care.StepRecover, "studio"), 0},
		{"unreadable, none intact", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("vault", fixity.Unreadable, shown)}}, found(fixity.Unreadable, fixity.NoneIntact, care.StepOther), 0},
		{"unsteady", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Unsteady, shown)}}, found(fixity.Unsteady, fixity.AtRisk, care.StepReread, "studio"), 0},
		{"unsteady, none intact", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("vault", fixity.Unsteady, shown)}}, found(fixity.Unsteady, fixity.NoneIntact, care.StepReread), 0},
		{"misplaced is a copy itself", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("vault", fixity.Misplaced, shown)}}, found(fixity.Misplaced, fixity.Tidy, care.StepMoveBack, "vault"), 0},
		{"misplaced, never shown", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("vault", fixity.Misplaced)}}, found(fixity.Misplaced, fixity.NoneIntact, care.StepMoveBack), 0},

		{"disputed at intake", "studio", care.Case{Set: masters, Version: -1, Holdings: []care.Holding{in("studio", fixity.Disputed), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.NoneIntact, care.StepDecide), 0},
		{"disputed, and no authority even where one says intact", "vault", care.Case{Set: masters, Version: -1, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.NoneIntact, care.StepDecide), 0},
		{"disputed, one against one", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Disputed)}}, found(fixity.Disputed, fixity.NoneIntact, care.StepDecide), 0},
		{"disputed, two against one", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), intact("cloud"), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.AtRisk, care.StepDecide, "studio", "cloud"), 0},
		{"disputed, with a voucher", "vault", care.Case{Set: masters, Vouched: true, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.AtRisk, care.StepDecide, "studio"), 0},
		{"disputed and settled", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Disputed, settled)}}, quiet(fixity.Disputed), 0},

		{"mergeable", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, blocks(true, false, true)), in("vault", fixity.Altered, blocks(false, true, true))}},
			mergeable(found(fixity.Altered, fixity.NoneIntact, care.StepOther)), 0},
		{"mergeable with a longer one", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, blocks(true, false)), in("vault", fixity.Altered, blocks(true, true, false))}},
			mergeable(found(fixity.Altered, fixity.NoneIntact, care.StepOther)), 0},
		{"one block is good nowhere", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, blocks(true, false, false)), in("vault", fixity.Altered, blocks(false, true, false))}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"a lesser copy's blocks don't count", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, blocks(true, false)), in("vault", fixity.Altered, lesser, blocks(true, true))}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"no need to merge while one is intact", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, blocks(true, false)), intact("vault"), in("cloud", fixity.Altered, blocks(true, true))}},
			found(fixity.Altered, fixity.AtRisk, care.StepRecover, "vault"), 0},
		{"two names of one file are one copy", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered), in("vault", fixity.Intact, shown, linked)}},
			found(fixity.Altered, fixity.NoneIntact, care.StepOther), 0},
		{"misplaced, and not proved", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("vault", fixity.Misplaced, shown, unproved)}},
			found(fixity.Misplaced, fixity.NoneIntact, care.StepMoveBack), 0},
		{"awaited long ago, while its store is filled", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Awaited, longAgo, arrived)}},
			quiet(fixity.Awaited, "studio"), 0},
		{"two stores stand behind the version, one of them damaged since", "cloud", care.Case{Set: masters,
			Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered, shown), in("cloud", fixity.Disputed)}}, found(fixity.Disputed, fixity.AtRisk, care.StepDecide, "studio"), 0},
		{"a disc of an earlier version", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered, burned(9))}},
			found(fixity.Altered, fixity.Tidy, care.StepBurn, "studio"), 5},
		{"a disc of the version", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Unreadable, burned(1))}},
			found(fixity.Unreadable, fixity.AtRisk, care.StepDrive, "studio"), 5},
		{"a disc of the version, altered", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered, burned(1))}},
			found(fixity.Altered, fixity.AtRisk, care.StepBurn, "studio"), 5},
		{"a disc that is all of another version", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered, burned(1), holds(9))}},
			found(fixity.Altered, fixity.Tidy, care.StepBurn, "studio"), 5},
		{"a disc of the version, unreadable, that once held another", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Unreadable, burned(1), holds(9))}},
			found(fixity.Unreadable, fixity.AtRisk, care.StepDrive, "studio"), 5},
		{"a disc of the version, altered since it held it", "vault", care.Case{Set: masters, Holdings: []care.Holding{intact("studio"), in("vault", fixity.Altered, burned(1), holds(1))}},
			found(fixity.Altered, fixity.AtRisk, care.StepBurn, "studio"), 5},
		{"a disc of an earlier version, none intact", "vault", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Missing), in("vault", fixity.Altered, burned(9))}},
			found(fixity.Altered, fixity.Tidy, care.StepBurn), 5},
		{"mergeable with what isn't known of one", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("cloud", fixity.Missing), in("studio", fixity.Altered, blocks(true, false)), in("vault", fixity.Altered, blocks(false, true))}},
			mergeable(found(fixity.Altered, fixity.NoneIntact, care.StepOther)), 0},
		{"mergeable with one that is longer and good there", "studio", care.Case{Set: masters, Holdings: []care.Holding{in("studio", fixity.Altered, blocks(true, false)), in("vault", fixity.Altered, blocks(true, true, true))}},
			mergeable(found(fixity.Altered, fixity.NoneIntact, care.StepOther)), 0},
		{"a store no longer configured", "attic", care.Case{Set: masters, Holdings: []care.Holding{in("attic", fixity.Altered), intact("vault")}}, found(fixity.Altered, fixity.AtRisk, care.StepRecover, "vault"), 0},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.c.Now, c.c.VersionAt, c.c.Version = now, versionAt, c.c.Version+1
			if d := cmp.Diff(c.want, care.Judge(rules, c.c, c.store, c.disc)); d != "" {
				t.Errorf("verdict (-want +got):\n%s", d)
			}
		})
	}
}

// Whatever is known: a finding has a kind, an urgency and a step; what is urgent
// because none is intact names none; what is no finding asks for nothing.
func TestJudgeNeverContradictsItself(t *testing.T) {
	states := []fixity.State{fixity.Intact, fixity.Awaited, fixity.Behind, fixity.Editing, fixity.Altered, fixity.Missing,
		fixity.Misplaced, fixity.Unreadable, fixity.Unsteady, fixity.Disputed}
	n := 0
	for _, set := range rules.Sets {
		for _, a := range states {
			for _, b := range states {
				for bits := range 32 {
					h := func(store string, s fixity.State, shown bool) care.Holding {
						since := now.Add(-time.Hour)
						if bits&1 != 0 {
							since = now.Add(-9 * day)
						}
						x := in(store, s)
						if x.Since = since; shown {
							x.Held = 1
						}
						if bits&2 != 0 && store == "studio" {
							x.SettledAs = x.Condition()
						}
						return x
					}
					c := care.Case{Set: set, Now: now, Vouched: bits&4 != 0, VersionAt: versionAt,
						Holdings: []care.Holding{h("studio", a, bits&16 != 0), h("vault", b, true)}}
					if bits&8 == 0 {
						c.Version = 1
					}
					v := care.Judge(rules, c, "studio", 0)
					n++
					switch {
					case v.IntactIn == nil:
						t.Fatalf("%+v: IntactIn is nil", c)
					case v.Kind != fixity.Kind(a):
						t.Fatalf("%+v: kind %q of state %q", c, v.Kind, a)
					case v.Finding && (v.Urgency.Level() == 0 || v.Step == care.StepNone):
						t.Fatalf("%+v: a finding without urgency or step: %+v", c, v)
					case !v.Finding && (v.Urgency != "" || v.Step != "" || v.Mergeable):
						t.Fatalf("%+v: no finding, and yet %+v", c, v)
					case v.Finding && (v.Urgency == fixity.NoneIntact) != (len(v.IntactIn) == 0):
						t.Fatalf("%+v: %+v", c, v)
					case c.Version == 0 && len(v.IntactIn) > 0:
						t.Fatalf("%+v: no version has authority, and yet %+v", c, v)
					case v.Step == care.StepRecover && !slices.ContainsFunc(v.IntactIn, func(s string) bool { return s != "studio" }):
						t.Fatalf("%+v: nothing to recover from: %+v", c, v)
					}
				}
			}
		}
	}
	if n != 2*10*10*32 {
		t.Errorf("%d cases", n)
	}
}

func TestJudgeStray(t *testing.T) {
	for _, c := range []struct {
		name      string
		of, spare bool
		age       time.Duration
		finding   bool
		step      care.Step
	}{
		{"nobody knows what it is", false, false, 0, true, care.StepTakeOut},
		{"a file's, of which this may be the only good copy here", true, false, 0, true, care.StepNone},
		{"the same for long", true, false, 100 * time.Hour, true, care.StepNone},
		{"a file's that is there besides", true, true, 72 * time.Hour, false, care.StepTakeOut},
		{"the same for longer than promised", true, true, 73 * time.Hour, true, care.StepTakeOut},
	} {
		got := care.JudgeStray(care.Stray{Since: now.Add(-c.age), Of: c.of, Spare: c.spare}, 72*time.Hour, now)
		want := care.Verdict{Finding: c.finding, Kind: fixity.Kind(fixity.Unexpected), Urgency: fixity.Tidy, Step: c.step, IntactIn: []string{}}
		if d := cmp.Diff(want, got); d != "" {
			t.Errorf("%s: %s", c.name, d)
		}
	}
}

func TestIncidents(t *testing.T) {
	for _, c := range []struct {
		files, total int64
		want         bool
	}{
		{0, 0, false}, {20, 20, false}, {21, 21, true}, {21, 419, true}, {21, 420, false}, {22, 420, true},
		{50, 1000, false}, {51, 1000, true}, {1000, 1_000_000, false}, {50_001, 1_000_000, true},
	} {
		if got := care.IsIncident(c.files, c.total); got != c.want {
			t.Errorf("%d of %d files: incident %v, want %v", c.files, c.total, got, c.want)
		}
	}
}

// What can't be transferred again is one step more urgent, but never said to be lost.
func TestRaised(t *testing.T) {
	for u, want := range map[fixity.Urgency]fixity.Urgency{fixity.Tidy: fixity.AtRisk, fixity.AtRisk: fixity.AtRisk, fixity.NoneIntact: fixity.NoneIntact} {
		if got := care.Raised(u, true); got != want {
			t.Errorf("%s becomes %s, want %s", u, got, want)
		}
		if got := care.Raised(u, false); got != u {
			t.Errorf("%s becomes %s of what can be transferred again", u, got)
		}
	}
}

// Where no copy of a file is intact, another file with the same bytes makes it at risk, not
// lost: and only a copy that counts does.
func TestJudgeSameBytes(t *testing.T) {
	masters := rules.Sets[0]
	for _, c := range []struct {
		name     string
		holdings []care.Holding
		same     []care.Holding
		urgency  fixity.Urgency
		step     care.Step
		known    int
	}{
		{"none", []care.Holding{in("studio", fixity.Altered, shown)}, nil, fixity.NoneIntact, care.StepOther, 0},
		{"intact", []care.Holding{in("studio", fixity.Altered, shown)}, []care.Holding{intact("studio")}, fixity.AtRisk, care.StepRecover, 1},
		{"and it is missing", []care.Holding{in("studio", fixity.Missing, shown)}, []care.Holding{intact("vault")}, fixity.AtRisk, care.StepRecover, 1},
		{"and it was never there", []care.Holding{in("studio", fixity.Awaited, longAgo)}, []care.Holding{intact("vault")}, fixity.AtRisk, care.StepCopy, 1},
		{"lesser", []care.Holding{in("studio", fixity.Altered, shown)}, []care.Holding{in("discs", fixity.Intact, shown, lesser)}, fixity.NoneIntact, care.StepOther, 0},
		{"under its former name", []care.Holding{in("studio", fixity.Altered, shown)}, []care.Holding{in("vault", fixity.Behind, shown)}, fixity.AtRisk, care.StepRecover, 1},
		{"a second name", []care.Holding{in("studio", fixity.Altered, shown)}, []care.Holding{in("vault", fixity.Intact, shown, linked)}, fixity.NoneIntact, care.StepOther, 0},
		{"but a copy of its own is intact", []care.Holding{in("studio", fixity.Altered, shown), intact("vault"), intact("cloud")}, []care.Holding{intact("studio")}, fixity.AtRisk, care.StepRecover, 0},
		{"in a dispute nobody knows", []care.Holding{in("studio", fixity.Disputed)}, []care.Holding{intact("vault")}, fixity.NoneIntact, care.StepDecide, 0},
	} {
		x := care.Case{Set: masters, Version: 1, VersionAt: versionAt, Holdings: c.holdings, Now: now}
		for _, h := range c.same {
			x.Same = append(x.Same, h.Copy)
		}
		v := care.Judge(rules, x, "studio", 0)
		if !v.Finding || v.Urgency != c.urgency || v.Step != c.step || len(v.Same) != c.known {
			t.Errorf("%s: %+v", c.name, v)
		}
	}
}
