package ledger_test

import (
	"errors"
	"fmt"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// shelf is the store of discs in these tests.
const shelf = "shelf"

// disc registers a disc with files, each in its current version.
func (w *world) disc(number, twin, kind string, files ...ledger.File) ledger.Disc {
	w.Helper()
	var d ledger.Disc
	w.tx(func(x *ledger.Tx) (err error) {
		if err := x.Stores.Put(ledger.Store{Name: shelf, Kind: "optical"}); err != nil {
			return err
		}
		var fs []ledger.DiscFile
		for _, f := range files {
			now, err := x.Files.Get(f.ID)
			if err != nil {
				return err
			}
			fs = append(fs, ledger.DiscFile{File: f.ID, Version: now.Version, Name: f.Path})
		}
		d, err = x.Discs.Add(ledger.Disc{Store: shelf, Number: number, Twin: twin, Kind: kind}, fs, "Ada Wren", "")
		return err
	})
	return d
}

// checks records a check of a disc that showed all its files in a state; more changes
// what it showed.
func (w *world) checks(d ledger.Disc, v fixity.DiscVerdict, s fixity.State, more ...func(*ledger.DiscCheck, []ledger.DiscHeld)) ledger.DiscCheck {
	w.Helper()
	var c ledger.DiscCheck
	w.tx(func(x *ledger.Tx) error {
		fs, err := x.Discs.FilesOn(d.ID)
		if err != nil {
			return err
		}
		in := ledger.DiscCheck{TOC: "toc-" + d.Number, Began: w.clock, Ended: w.clock, By: "Ada Wren", Drive: "Wren 4000", Speed: 1411, Verdict: v, Sectors: 1000, AtOnce: 1000}
		var held []ledger.DiscHeld
		for _, f := range fs {
			held = append(held, ledger.DiscHeld{File: f.File, State: s, Samples: d.Kind == ledger.AudioDisc, PlaceDue: 365 * day})
		}
		for _, m := range more {
			m(&in, held)
		}
		c, err = x.Discs.RecordCheck(d, in, held, "", nil)
		return err
	})
	return c
}

// onDisc is the copy of a file on a disc.
func (w *world) onDisc(f ledger.File, d ledger.Disc) ledger.Copy {
	w.Helper()
	var out ledger.Copy
	w.view(func(x *ledger.Tx) error {
		all, err := x.Copies.Of(f.ID)
		for _, c := range all {
			if c.Carrier == d.ID {
				out = c
			}
		}
		return err
	})
	return out
}

// foundOn is the open finding about a file on a disc; its ID is 0 if none is.
func (w *world) foundOn(f ledger.File, d ledger.Disc) ledger.Finding {
	w.Helper()
	var out ledger.Finding
	w.view(func(x *ledger.Tx) error {
		all, err := x.Findings.OnDisc(d.ID)
		for _, y := range all {
			if y.File == f.ID {
				out = y
			}
		}
		return err
	})
	return out
}

func TestTwinsAreTwoCases(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "one", true, "studio", "vault")
		a, b := w.disc("QD-0031", "A", ledger.DataDisc, f), w.disc("QD-0031", "B", ledger.DataDisc, f)
		if got := w.onDisc(f, a); got.State != fixity.Awaited || got.Disc != "QD-0031 A" || got.Burned != 1 || got.Lesser {
			t.Errorf("registered: %+v", got)
		}
		w.pass(60 * day)
		w.audit("studio", order{full: true})
		if x := w.foundOn(f, a); x.ID != 0 {
			t.Errorf("a disc that was never read is a finding: %+v", x)
		}

		w.checks(b, fixity.DiscIntact, fixity.Intact)
		w.checks(a, fixity.DiscAltered, fixity.Altered)
		x := w.foundOn(f, a)
		if x.Kind != "altered" || x.Disc != "QD-0031 A" || x.Step != care.StepBurn || !cmp.Equal(x.IntactIn, []string{shelf, "studio", "vault"}) {
			t.Errorf("finding about A: %+v", x)
		}
		if y := w.foundOn(f, b); y.ID != 0 {
			t.Errorf("a finding about B, which is intact: %+v", y)
		}
		w.quiet(f, "studio")

		// The other twin is a second finding, and each keeps its number.
		w.checks(b, fixity.DiscUnreadable, fixity.Unreadable)
		y := w.foundOn(f, b)
		if y.ID == 0 || y.ID == x.ID || y.Step != care.StepDrive {
			t.Errorf("finding about B: %+v", y)
		}
		w.checks(a, fixity.DiscAltered, fixity.Altered)
		if z := w.foundOn(f, a); z.ID != x.ID {
			t.Errorf("the finding about A is %d now, was %d", z.ID, x.ID)
		}
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		if got := w.settledAs(x.ID); got != fixity.IntactAgain {
			t.Errorf("the finding about A ended as %q", got)
		}
		if got := w.settledAs(y.ID); got != "" {
			t.Errorf("with A, the finding about B ended as %q", got)
		}
		w.agree()
	})
}

// agree checks that what is tallied is what is there, and that the record is whole.
func (w *world) agree() {
	w.Helper()
	if _, err := w.l.Verify(w.Context()); err != nil {
		w.Error(err)
	}
	if err := w.l.CheckCounts(w.Context()); err != nil {
		w.Error(err)
	}
}

func TestAnAudioDiscIsNoCopy(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(access, "QV-0107/QV-0107_A_01.wav", "one", true, "studio")
		a := w.disc("QD-0031", "", ledger.AudioDisc, f)
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		got := w.onDisc(f, a)
		if got.State != fixity.Intact || got.Held != 0 || !got.Lesser || !got.Read.OK {
			t.Errorf("an intact audio disc: %+v", got)
		}
		// The one file rots: nothing is intact, whatever the disc holds.
		w.rot("studio", access, f.Path, "two")
		w.pass(40 * day)
		w.audit("studio", order{full: true})
		x := w.found(f, "studio", fixity.Altered, fixity.NoneIntact)
		if len(x.IntactIn) != 0 {
			t.Errorf("intact in %v", x.IntactIn)
		}
		w.view(func(x *ledger.Tx) error {
			counts, err := x.Copies.CountsByNumber()
			if diff := cmp.Diff([]ledger.CopiesCount{{Copies: 0, Files: 1, Read: 1}}, counts); diff != "" {
				t.Errorf("copies (-want +got):\n%s", diff)
			}
			return err
		})
		w.agree()
	})
}

func TestADataDiscCountsForItsVersionOnly(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(access, "QV-0107/QV-0107_A_01.wav", "one", true, "studio")
		a := w.disc("QD-0031", "A", ledger.DataDisc, f)
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		copies := func(want ...ledger.CopiesCount) {
			t.Helper()
			w.view(func(x *ledger.Tx) error {
				counts, err := x.Copies.CountsByNumber()
				if diff := cmp.Diff(want, counts); diff != "" {
					t.Errorf("copies (-want +got):\n%s", diff)
				}
				return err
			})
		}
		copies(ledger.CopiesCount{Copies: 2, Files: 1, Read: 1})
		// Twins are one shelf.
		b := w.disc("QD-0031", "B", ledger.DataDisc, f)
		w.checks(b, fixity.DiscIntact, fixity.Intact)
		copies(ledger.CopiesCount{Copies: 2, Files: 1, Read: 1})

		w.pass(day)
		w.tx(func(x *ledger.Tx) error {
			_, err := x.Files.NewVersion(f.ID, bytesOf("two"), true, "studio")
			return err
		})
		if got := w.onDisc(f, a); got.State != fixity.Intact || got.Held != 1 {
			t.Errorf("with a new version the disc is %+v", got)
		}
		w.pass(90 * day)
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		if x := w.foundOn(f, a); x.ID != 0 {
			t.Errorf("a disc of an earlier version is a finding: %+v", x)
		}
		copies(ledger.CopiesCount{Copies: 0, Files: 1, Read: 1})
		// Damage to it is told, and nothing that is to be kept hangs on it.
		w.checks(a, fixity.DiscAltered, fixity.Altered)
		if x := w.foundOn(f, a); x.Urgency != fixity.Tidy || x.Mergeable {
			t.Errorf("a damaged disc of an earlier version: %+v", x)
		}
		w.agree()
	})
}

func TestDamagedTwinsTogetherHoldAFile(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "a recording of two blocks", true, "studio")
		a, b := w.disc("QD-0031", "A", ledger.DataDisc, f), w.disc("QD-0031", "B", ledger.DataDisc, f)
		w.remove("studio", masters, f.Path)
		w.pass(day)
		w.audit("studio", order{})
		hole := func(at int64) func(*ledger.DiscCheck, []ledger.DiscHeld) {
			return func(_ *ledger.DiscCheck, held []ledger.DiscHeld) {
				held[0].Ranges = []fixity.Range{{Offset: at, Length: 1}}
			}
		}
		w.checks(a, fixity.DiscUnreadable, fixity.Unreadable, hole(0))
		if x := w.foundOn(f, a); x.Mergeable || x.Urgency != fixity.NoneIntact {
			t.Errorf("A alone: %+v", x)
		}
		w.checks(b, fixity.DiscUnreadable, fixity.Unreadable, hole(64<<10))
		if x := w.foundOn(f, a); !x.Mergeable {
			t.Errorf("A and B together: %+v", x)
		}
		if x := w.foundOn(f, b); !x.Mergeable || x.Step != care.StepDrive {
			t.Errorf("B with A: %+v", x)
		}
	})
}

func TestWhatASettledDiscKeepsQuiet(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "one", true, "studio", "vault")
		a := w.disc("QD-0031", "A", ledger.DataDisc, f)
		same := func(yes bool) func(*ledger.DiscCheck, []ledger.DiscHeld) {
			return func(_ *ledger.DiscCheck, held []ledger.DiscHeld) { held[0].Same = yes }
		}
		w.checks(a, fixity.DiscAltered, fixity.Altered)
		x := w.foundOn(f, a)
		w.tx(func(t *ledger.Tx) error { return t.Findings.Settle(x, fixity.ByPerson, "Ada Wren", "known") })
		w.checks(a, fixity.DiscAltered, fixity.Altered, same(true))
		if y := w.foundOn(f, a); y.ID != 0 {
			t.Errorf("settled, and told again: %+v", y)
		}
		w.checks(a, fixity.DiscAltered, fixity.Altered, same(false))
		if y := w.foundOn(f, a); y.ID == 0 || y.ID == x.ID {
			t.Errorf("other damage than was settled: %+v", y)
		}
	})
}

func TestADecisionCoversItsClass(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		var discs []ledger.Disc
		var files []ledger.File
		changed := func(gain float64, dec *ledger.DiscDecision) func(*ledger.DiscCheck, []ledger.DiscHeld) {
			return func(c *ledger.DiscCheck, held []ledger.DiscHeld) {
				c.Changed, c.Gain, c.Result = true, gain, `{"levelled":true}`
				held[0].Settled = dec
			}
		}
		for i, gain := range []float64{1.8, 1.6, -6, 1.9} {
			f := w.take(access, fmt.Sprintf("QV-0107/QV-0107_A_%02d.wav", i), fmt.Sprint(i), true, "studio", "vault")
			x := w.disc(fmt.Sprintf("QD-%04d", 31+i), "", ledger.AudioDisc, f)
			discs, files = append(discs, x), append(files, f)
			if i < 3 {
				w.checks(x, fixity.DiscChanged, fixity.Altered, changed(gain, nil))
			}
		}
		var dec ledger.DiscDecision
		w.tx(func(x *ledger.Tx) (err error) {
			dec, err = x.Discs.Decide(ledger.DiscDecision{Verdict: fixity.DiscChanged, Class: care.DiscClass{Gain: 1.8, Within: care.SameGain}, Reason: "burned with levelling", By: "Ada Wren"})
			return err
		})
		open := func() (out []bool) {
			for i := range discs {
				out = append(out, w.foundOn(files[i], discs[i]).ID != 0)
			}
			return out
		}
		if diff := cmp.Diff([]bool{false, false, true, false}, open()); diff != "" {
			t.Errorf("open findings (-want +got):\n%s", diff)
		}
		w.view(func(x *ledger.Tx) error {
			all, err := x.Discs.Decisions()
			if len(all) != 1 || !all[0].At.Equal(w.clock) || all[0].Reason != "burned with levelling" || all[0].Class.AnyGain {
				t.Errorf("decisions: %+v", all)
			}
			return err
		})
		// One that is checked later, and one again.
		w.pass(day)
		w.checks(discs[3], fixity.DiscChanged, fixity.Altered, changed(1.9, &dec))
		w.checks(discs[0], fixity.DiscChanged, fixity.Altered, changed(1.8, &dec))
		if diff := cmp.Diff([]bool{false, false, true, false}, open()); diff != "" {
			t.Errorf("open findings after the decision (-want +got):\n%s", diff)
		}
		// It is no licence for damage.
		w.checks(discs[0], fixity.DiscUnreadable, fixity.Unreadable)
		if x := w.foundOn(files[0], discs[0]); x.ID == 0 {
			t.Error("an unreadable disc of a class that was decided on is quiet")
		}
		w.agree()
	})
}

// A disc is repaired by another that is burned: until that was read intact, nothing is
// replaced. What a decision says of its class isn't damage, nor is a disc that is read well
// later.
func TestADamagedDiscIsReplaced(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		damage := func(when string, ever, open, burned int64) {
			t.Helper()
			w.view(func(x *ledger.Tx) error {
				is, err := x.Findings.Damage()
				if is.Ever != ever || is.Open != open || is.Burned.N != burned || is.Put.N != 0 || (burned > 0) != is.Burned.Last.Equal(w.clock) {
					t.Errorf("%s: %+v at %s", when, is, w.clock)
				}
				return err
			})
		}
		retire := func(x ledger.Disc) {
			t.Helper()
			w.tx(func(t *ledger.Tx) error { return t.Discs.Retire(x, "Ada Wren", "damaged") })
		}
		f := w.take(access, "QV-0107/QV-0107_A_01.wav", "one", true, "studio", "vault")
		g := w.take(access, "QV-0107/QV-0107_A_02.wav", "two", true, "studio", "vault")
		levelled := w.disc("QD-0030", "", ledger.AudioDisc, f)
		w.checks(levelled, fixity.DiscChanged, fixity.Altered, func(c *ledger.DiscCheck, _ []ledger.DiscHeld) {
			c.Changed, c.Gain, c.Result = true, 1.8, `{"levelled":true}`
		})
		damage("levelled, and nobody decided", 1, 1, 0)
		w.tx(func(x *ledger.Tx) error {
			_, err := x.Discs.Decide(ledger.DiscDecision{Verdict: fixity.DiscChanged, Class: care.DiscClass{Gain: 1.8, Within: care.SameGain}, Reason: "burned with levelling", By: "Ada Wren"})
			return err
		})
		damage("as was decided for its class", 0, 0, 0)
		w.pass(day)
		first := w.disc("QD-0031", "", ledger.DataDisc, f, g)
		w.checks(first, fixity.DiscUnreadable, fixity.Unreadable)
		damage("unreadable", 2, 2, 0)
		w.pass(day)
		w.checks(first, fixity.DiscIntact, fixity.Intact)
		damage("read well in another drive", 0, 0, 0)
		w.pass(day)
		w.checks(first, fixity.DiscUnreadable, fixity.Unreadable)
		w.pass(day)
		half := w.disc("QD-0032", "", ledger.DataDisc, f)
		w.checks(half, fixity.DiscIntact, fixity.Intact)
		damage("burned anew in part, and still in use", 2, 2, 0)
		retire(first)
		damage("burned anew in part", 2, 0, 0)
		other := w.disc("QD-0033", "", ledger.DataDisc, g)
		damage("burned anew, and not read", 2, 0, 0)
		w.checks(other, fixity.DiscIntact, fixity.Intact)
		damage("burned anew", 2, 0, 1)
		// One that was there before replaces nothing.
		w.pass(day)
		w.checks(half, fixity.DiscUnreadable, fixity.Unreadable)
		retire(half)
		damage("its replacement is damaged too", 3, 0, 0)
	})
}

func TestADiscIsRegisteredOnce(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "one", true, "studio", "vault")
		a := w.disc("QD-0031", "A", ledger.DataDisc, f)
		add := func(twin string, files ...ledger.DiscFile) error {
			return w.l.Tx(t.Context(), w.clock, func(x *ledger.Tx) error {
				_, err := x.Discs.Add(ledger.Disc{Store: shelf, Number: "QD-0031", Twin: twin, Kind: ledger.DataDisc}, files, "Ada Wren", "")
				return err
			})
		}
		if err := add("A"); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("a second QD-0031 A: %v", err)
		}
		if err := add("B", ledger.DiscFile{File: f.ID, Version: 1}, ledger.DiscFile{File: f.ID, Version: 1}); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("one file twice: %v", err)
		}
		w.checks(a, fixity.DiscAltered, fixity.Altered)
		x := w.foundOn(f, a)
		w.tx(func(t *ledger.Tx) error { return t.Discs.Retire(a, "Ada Wren", "replaced") })
		if got := w.settledAs(x.ID); got != fixity.Overtaken {
			t.Errorf("the finding of a retired disc ended as %q", got)
		}
		if got := w.onDisc(f, a); got.Carrier != 0 {
			t.Errorf("a retired disc still holds %+v", got)
		}
		if err := add("A", ledger.DiscFile{File: f.ID, Version: 1}); err != nil {
			t.Errorf("the number of a retired disc: %v", err)
		}
		w.agree()
	})
}

func TestACopyOnADiscFollowsARename(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(access, "QV-0107/QV-0107_A_01.wav", "one", true, "studio", "vault")
		a := w.disc("QD-0031", "A", ledger.DataDisc, f)
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		w.pass(day)
		w.move("studio", access, f.Path, "QV-0107/renamed.wav")
		w.audit("studio", order{full: true})
		x := w.found(f, "studio", fixity.Misplaced, fixity.Tidy)
		w.tx(func(t *ledger.Tx) error { return t.Findings.SignOffPlace(x, 30*day, "Ada Wren", "on purpose") })
		if got := w.onDisc(f, a); got.At != "QV-0107/renamed.wav" || got.State != fixity.Intact {
			t.Errorf("after a rename: %+v", got)
		}
		w.view(func(t *ledger.Tx) (err error) { f, err = t.Files.Get(f.ID); return err })
		w.tx(func(t *ledger.Tx) error { return t.Files.RetireBy(f, "Ada Wren", "not wanted") })
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		if got := w.onDisc(f, a); got.Carrier != 0 {
			t.Errorf("a retired file is expected on the disc: %+v", got)
		}
		w.agree()
	})
}

func TestFadingIsOneDriveSpeedAndAControlDisc(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "one", true, "studio", "vault")
		a := w.disc("QD-0031", "A", ledger.DataDisc, f)
		var control ledger.Disc
		w.tx(func(x *ledger.Tx) (err error) {
			control, err = x.Discs.Add(ledger.Disc{Store: shelf, Number: "QD-9999", Kind: ledger.AudioDisc, Control: true}, nil, "Ada Wren", "")
			return err
		})
		retried := func(n int64) func(*ledger.DiscCheck, []ledger.DiscHeld) {
			return func(c *ledger.DiscCheck, _ []ledger.DiscHeld) { c.Sectors, c.AtOnce, c.Retried = 100_000, 100_000-n, n }
		}
		check := func(n int64, clean bool) ledger.DiscCheck {
			w.pass(30 * day)
			if clean {
				w.checks(control, fixity.DiscBaseline, "", retried(2))
			} else {
				w.checks(control, fixity.DiscBaseline, "", retried(5000))
			}
			w.pass(time.Hour)
			return w.checks(a, fixity.DiscIntact, fixity.Intact, retried(n))
		}
		fading := func() (ids []int64) {
			w.view(func(x *ledger.Tx) error {
				all, err := x.Findings.OnDisc(a.ID)
				for _, y := range all {
					if y.Kind == fixity.Fading && y.Subject == fixity.OfDisc {
						ids = append(ids, y.ID)
					}
				}
				return err
			})
			return ids
		}
		if c := check(20, true); c.Control == 0 {
			t.Error("no control disc stands for the drive")
		}
		check(400, true)
		if got := fading(); got != nil {
			t.Errorf("grown once: %v", got)
		}
		check(500, false) // the drive is bad
		check(500, true)
		if got := fading(); got != nil {
			t.Errorf("not twice in a row with a clean control disc: %v", got)
		}
		check(600, true)
		got := fading()
		if len(got) != 1 {
			t.Fatalf("grown twice: %v", got)
		}
		var x ledger.Finding
		w.view(func(t *ledger.Tx) (err error) { x, err = t.Findings.Get(got[0]); return err })
		if x.Path != "QD-0031 A" || x.Urgency != fixity.Tidy || x.Step != care.StepBurn || !cmp.Equal(x.IntactIn, []string{"studio", "vault"}) {
			t.Errorf("finding: %+v", x)
		}
		check(15, true)
		if s := w.settledAs(x.ID); s != fixity.IntactAgain {
			t.Errorf("it reads well again, and the finding is %q", s)
		}
	})
}

func TestAForeignDiscSaysNothingOfFiles(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "one", true, "studio", "vault")
		a := w.disc("QD-0031", "A", ledger.DataDisc, f)
		not := func(_ *ledger.DiscCheck, held []ledger.DiscHeld) { held[0].NotRead = true }
		c := w.checks(a, fixity.DiscOther, "", not)
		if got := w.onDisc(f, a); got.State != fixity.Awaited {
			t.Errorf("after another disc was read: %+v", got)
		}
		w.view(func(x *ledger.Tx) error {
			now, err := x.Discs.Get(a.ID)
			if now.TOC != "" {
				t.Errorf("it took over the other disc's table of contents: %q", now.TOC)
			}
			return err
		})
		var seen ledger.Event
		w.view(func(x *ledger.Tx) error {
			return x.Log.Each(c.Event, 1, func(e ledger.Event) error { seen = e; return nil })
		})
		if seen.Verb != fixity.DiscChecked || seen.Store != shelf {
			t.Errorf("event %d is %+v", c.Event, seen)
		}
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		w.view(func(x *ledger.Tx) error {
			now, err := x.Discs.Get(a.ID)
			if now.TOC != "toc-QD-0031" {
				t.Errorf("its table of contents is %q", now.TOC)
			}
			return err
		})
		if last := w.verbs(); last[fixity.DiscChecked] != 2 || last[fixity.DiscAdded] != 1 {
			t.Errorf("events: %v", last)
		}
	})
}

func TestTheShelfGetsANameInTheConfiguration(t *testing.T) {
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "one", true, "studio", "vault")
		a, b := w.disc("QD-0031", "A", ledger.DataDisc, f), w.disc("QD-0031", "B", ledger.DataDisc, f)
		w.checks(a, fixity.DiscIntact, fixity.Intact)
		w.checks(b, fixity.DiscAltered, fixity.Altered)
		w.tx(func(x *ledger.Tx) error {
			if err := x.Stores.Put(ledger.Store{Name: "discs", Kind: "optical"}); err != nil {
				return err
			}
			return x.Discs.MoveStore(shelf, "discs", "Ada Wren")
		})
		for _, x := range []ledger.Disc{a, b} {
			if got := w.onDisc(f, x); got.Store != "discs" {
				t.Errorf("%s is in %q", x.Name(), got.Store)
			}
		}
		if x := w.foundOn(f, b); x.Store != "discs" {
			t.Errorf("the finding is in %q", x.Store)
		}
		w.agree()
		before := w.verbs()[fixity.StoreReplaced]
		w.tx(func(x *ledger.Tx) error { return x.Discs.MoveStore(shelf, "discs", "Ada Wren") })
		if after := w.verbs()[fixity.StoreReplaced]; after != before || before != 1 {
			t.Errorf("moved %d times, then %d", before, after)
		}
	})
}

// The word before a box's name is said by the program, and so never twice.
func TestABoxIsNeverABoxBox(t *testing.T) {
	for in, want := range map[string]string{"Box 2": "2", "box2": "2", " BOX no": "no", "Box: A 4": "A 4", "box-12": "12", "Boxwood": "Boxwood", "box": "box", "Box  ": "Box", "2": "2", "": "", "Boîte 2": "Boîte 2"} {
		if got := ledger.BoxName(in); got != want {
			t.Errorf("%q: %q, want %q", in, got, want)
		}
	}
}
