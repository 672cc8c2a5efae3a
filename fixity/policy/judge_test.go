package policy_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/policy"
)

var now = time.Date(2031, 5, 6, 7, 8, 9, 0, time.UTC)

const day = 24 * time.Hour

// Mirror is kept in step with studio by a program; vault and cloud stand alone.
var rules = policy.Rules{
	Stores: []policy.Store{
		{Name: "studio", Kind: "disk", Sets: []string{"masters", "access"}, Arrivals: true, ExpectWithin: 3 * day, ReadWithin: 30 * day},
		{Name: "mirror", Kind: "disk", Sets: []string{"masters", "access"}, Follows: "studio", ExpectWithin: 3 * day},
		{Name: "vault", Kind: "disk", Sets: []string{"masters", "access"}, ExpectWithin: 3 * day},
		{Name: "cloud", Kind: "cloud", Sets: []string{"masters"}, ExpectWithin: 3 * day},
	},
	Sets: []policy.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access, Editing: 3 * day}},
}

func intact(store string) policy.Holding {
	return policy.Holding{Store: store, State: fixity.Intact, Shown: true}
}

// in is what a store holds in a state; a copy that holds the version was shown to.
func in(store string, s fixity.State, change ...func(*policy.Holding)) policy.Holding {
	h := policy.Holding{Store: store, State: s, Since: now.Add(-time.Hour)}
	for _, c := range change {
		c(&h)
	}
	return h
}

func shown(h *policy.Holding)    { h.Shown = true }
func lesser(h *policy.Holding)   { h.Lesser = true }
func settled(h *policy.Holding)  { h.Settled = true }
func wentBack(h *policy.Holding) { h.WentBack = true }
func longAgo(h *policy.Holding)  { h.Since = now.Add(-4 * day) }
func blocks(b ...bool) func(*policy.Holding) {
	return func(h *policy.Holding) { h.Blocks = b }
}

func TestJudge(t *testing.T) {
	masters, access := rules.Sets[0], rules.Sets[1]
	none := policy.Verdict{IntactIn: []string{}}
	quiet := func(k fixity.State, in ...string) policy.Verdict {
		return policy.Verdict{Kind: fixity.Kind(k), IntactIn: append([]string{}, in...)}
	}
	found := func(k fixity.State, u fixity.Urgency, s policy.Step, in ...string) policy.Verdict {
		return policy.Verdict{Finding: true, Kind: fixity.Kind(k), Urgency: u, Step: s, IntactIn: append([]string{}, in...)}
	}
	mergeable := func(v policy.Verdict) policy.Verdict { v.Mergeable = true; return v }
	for _, c := range []struct {
		name  string
		store string
		c     policy.Case
		want  policy.Verdict
	}{
		{"nothing is expected there", "cloud", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio")}}, quiet("", "studio")},
		{"nothing is known at all", "cloud", policy.Case{Set: masters}, none},
		{"intact", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), intact("vault")}}, quiet(fixity.Intact, "studio", "vault")},
		{"intact, the only one", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio")}}, quiet(fixity.Intact, "studio")},
		{"editing", "studio", policy.Case{Set: access, Holdings: []policy.Holding{in("studio", fixity.Editing, shown)}}, quiet(fixity.Editing, "studio")},

		{"awaited within the promise", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Awaited)}}, quiet(fixity.Awaited, "studio")},
		{"awaited at the end of the promise", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Awaited, func(h *policy.Holding) { h.Since = now.Add(-3 * day) })}},
			quiet(fixity.Awaited, "studio")},
		{"awaited since the future", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Awaited, func(h *policy.Holding) { h.Since = now.Add(300 * day) })}},
			quiet(fixity.Awaited, "studio")},
		{"awaited too long, one copy", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Awaited, longAgo)}}, found(fixity.Awaited, fixity.AtRisk, policy.StepCopy, "studio")},
		{"awaited too long, a follower is no second copy", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), intact("mirror"), in("vault", fixity.Awaited, longAgo)}},
			found(fixity.Awaited, fixity.AtRisk, policy.StepCopy, "studio", "mirror")},
		{"awaited too long, two copies", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), intact("cloud"), in("vault", fixity.Awaited, longAgo)}},
			found(fixity.Awaited, fixity.Tidy, policy.StepCopy, "studio", "cloud")},
		{"awaited too long, none intact", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered), in("vault", fixity.Awaited, longAgo)}},
			found(fixity.Awaited, fixity.NoneIntact, policy.StepOther)},
		{"behind within the promise", "vault", policy.Case{Set: access, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Behind)}}, quiet(fixity.Behind, "studio")},
		{"an earlier version came back where files arrive", "studio", policy.Case{Set: access, Holdings: []policy.Holding{in("studio", fixity.Behind, wentBack), intact("vault")}}, found(fixity.Behind, fixity.Tidy, policy.StepCopy, "vault")},
		{"left behind where files arrive", "studio", policy.Case{Set: access, Holdings: []policy.Holding{in("studio", fixity.Behind), intact("vault")}}, quiet(fixity.Behind, "vault")},
		{"an earlier version came back elsewhere", "vault", policy.Case{Set: access, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Behind, wentBack)}}, quiet(fixity.Behind, "studio")},
		{"behind too long", "vault", policy.Case{Set: access, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Behind, longAgo)}}, found(fixity.Behind, fixity.Tidy, policy.StepCopy, "studio")},
		{"behind too long, none intact", "vault", policy.Case{Set: access, Holdings: []policy.Holding{in("studio", fixity.Missing), in("vault", fixity.Behind, longAgo)}},
			found(fixity.Behind, fixity.NoneIntact, policy.StepOther)},
		{"what is behind doesn't hold the version", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered), in("vault", fixity.Behind, shown)}},
			found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},

		{"altered master, intact elsewhere", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, shown), intact("vault")}}, found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "vault")},
		{"altered master in a store that is no arrivals", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Altered)}}, found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "studio")},
		{"altered master, two elsewhere, is at risk all the same", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered), intact("vault"), intact("cloud")}},
			found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "vault", "cloud")},
		{"altered, none intact", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, shown), in("vault", fixity.Missing, shown)}}, found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},
		{"altered, only its description", "studio", policy.Case{Set: masters, Anatomy: fixity.DescriptionOnly, Holdings: []policy.Holding{in("studio", fixity.Altered), intact("vault")}},
			found(fixity.Altered, fixity.Tidy, policy.StepRecover, "vault")},
		{"altered description, none intact", "studio", policy.Case{Set: masters, Anatomy: fixity.DescriptionOnly, Holdings: []policy.Holding{in("studio", fixity.Altered)}},
			found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},
		{"altered access file, one elsewhere", "studio", policy.Case{Set: access, Holdings: []policy.Holding{in("studio", fixity.Altered), intact("vault")}}, found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "vault")},
		{"altered access file, two elsewhere", "vault", policy.Case{Set: access, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Altered), intact("cloud")}},
			found(fixity.Altered, fixity.Tidy, policy.StepRecover, "studio", "cloud")},
		{"altered access file, a follower is no second copy", "vault", policy.Case{Set: access, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Altered), intact("mirror")}},
			found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "studio", "mirror")},
		{"a lesser copy is none", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered), in("vault", fixity.Intact, shown, lesser)}},
			found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},
		{"a copy that was never shown is none", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered), in("vault", fixity.Intact)}},
			found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},
		{"altered and settled", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, settled), intact("vault")}}, quiet(fixity.Altered, "vault")},
		{"what is settled elsewhere is no copy", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, settled, shown), in("vault", fixity.Missing)}},
			found(fixity.Missing, fixity.NoneIntact, policy.StepOther)},

		{"missing", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Missing, shown), intact("vault")}}, found(fixity.Missing, fixity.AtRisk, policy.StepRecover, "vault")},
		{"missing everywhere", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Missing, shown), in("vault", fixity.Missing, shown)}}, found(fixity.Missing, fixity.NoneIntact, policy.StepOther)},
		{"missing and settled", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Missing, settled), intact("vault")}}, quiet(fixity.Missing, "vault")},
		{"unreadable", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Unreadable, shown)}}, found(fixity.Unreadable, fixity.AtRisk, policy.StepRecover, "studio")},
		{"unreadable, none intact", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{in("vault", fixity.Unreadable, shown)}}, found(fixity.Unreadable, fixity.NoneIntact, policy.StepOther)},
		{"unsteady", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Unsteady, shown)}}, found(fixity.Unsteady, fixity.AtRisk, policy.StepReread, "studio")},
		{"unsteady, none intact", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{in("vault", fixity.Unsteady, shown)}}, found(fixity.Unsteady, fixity.NoneIntact, policy.StepReread)},
		{"misplaced is a copy itself", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{in("vault", fixity.Misplaced, shown)}}, found(fixity.Misplaced, fixity.Tidy, policy.StepMoveBack, "vault")},
		{"misplaced, never shown", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{in("vault", fixity.Misplaced)}}, found(fixity.Misplaced, fixity.NoneIntact, policy.StepMoveBack)},

		{"disputed at intake", "studio", policy.Case{Set: masters, NoOne: true, Holdings: []policy.Holding{in("studio", fixity.Disputed), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.NoneIntact, policy.StepDecide)},
		{"disputed, and no authority even where one says intact", "vault", policy.Case{Set: masters, NoOne: true, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.NoneIntact, policy.StepDecide)},
		{"disputed, one against one", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Disputed)}}, found(fixity.Disputed, fixity.NoneIntact, policy.StepDecide)},
		{"disputed, two against one", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), intact("cloud"), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.AtRisk, policy.StepDecide, "studio", "cloud")},
		{"disputed, with a voucher", "vault", policy.Case{Set: masters, Vouched: true, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Disputed)}},
			found(fixity.Disputed, fixity.AtRisk, policy.StepDecide, "studio")},
		{"disputed and settled", "vault", policy.Case{Set: masters, Holdings: []policy.Holding{intact("studio"), in("vault", fixity.Disputed, settled)}}, quiet(fixity.Disputed)},

		{"mergeable", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, blocks(true, false, true)), in("vault", fixity.Altered, blocks(false, true, true))}},
			mergeable(found(fixity.Altered, fixity.NoneIntact, policy.StepOther))},
		{"mergeable with a longer one", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, blocks(true, false)), in("vault", fixity.Altered, blocks(true, true, false))}},
			mergeable(found(fixity.Altered, fixity.NoneIntact, policy.StepOther))},
		{"one block is good nowhere", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, blocks(true, false, false)), in("vault", fixity.Altered, blocks(false, true, false))}},
			found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},
		{"a lesser copy's blocks don't count", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, blocks(true, false)), in("vault", fixity.Altered, lesser, blocks(true, true))}},
			found(fixity.Altered, fixity.NoneIntact, policy.StepOther)},
		{"no need to merge while one is intact", "studio", policy.Case{Set: masters, Holdings: []policy.Holding{in("studio", fixity.Altered, blocks(true, false)), intact("vault"), in("cloud", fixity.Altered, blocks(true, true))}},
			found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "vault")},
		{"a store no longer configured", "attic", policy.Case{Set: masters, Holdings: []policy.Holding{in("attic", fixity.Altered), intact("vault")}}, found(fixity.Altered, fixity.AtRisk, policy.StepRecover, "vault")},
	} {
		t.Run(c.name, func(t *testing.T) {
			c.c.Now = now
			if d := cmp.Diff(c.want, policy.Judge(rules, c.c, c.store)); d != "" {
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
					h := func(store string, s fixity.State, shown bool) policy.Holding {
						since := now.Add(-time.Hour)
						if bits&1 != 0 {
							since = now.Add(-9 * day)
						}
						return policy.Holding{Store: store, State: s, Shown: shown, Since: since, Settled: bits&2 != 0 && store == "studio"}
					}
					c := policy.Case{Set: set, Now: now, Vouched: bits&4 != 0, NoOne: bits&8 != 0,
						Holdings: []policy.Holding{h("studio", a, bits&16 != 0), h("vault", b, true)}}
					v := policy.Judge(rules, c, "studio")
					n++
					switch {
					case v.IntactIn == nil:
						t.Fatalf("%+v: IntactIn is nil", c)
					case v.Kind != fixity.Kind(a):
						t.Fatalf("%+v: kind %q of state %q", c, v.Kind, a)
					case v.Finding && (v.Urgency.Level() == 0 || v.Step == policy.StepNone):
						t.Fatalf("%+v: a finding without urgency or step: %+v", c, v)
					case !v.Finding && (v.Urgency != "" || v.Step != "" || v.Mergeable):
						t.Fatalf("%+v: no finding, and yet %+v", c, v)
					case v.Finding && (v.Urgency == fixity.NoneIntact) != (len(v.IntactIn) == 0):
						t.Fatalf("%+v: %+v", c, v)
					case c.NoOne && len(v.IntactIn) > 0:
						t.Fatalf("%+v: no version has authority, and yet %+v", c, v)
					case v.Step == policy.StepRecover && !slices.ContainsFunc(v.IntactIn, func(s string) bool { return s != "studio" }):
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
	want := policy.Verdict{Finding: true, Kind: fixity.Kind(fixity.Unexpected), Urgency: fixity.Tidy, Step: policy.StepTakeOut, IntactIn: []string{}}
	if d := cmp.Diff(want, policy.JudgeStray()); d != "" {
		t.Error(d)
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
		if got := policy.IsIncident(c.files, c.total); got != c.want {
			t.Errorf("%d of %d files: incident %v, want %v", c.files, c.total, got, c.want)
		}
	}
}
