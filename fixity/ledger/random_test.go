package ledger_test

import (
	"errors"
	"fmt"
	"math/rand/v2"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// chance does things to stores and to the ledger at random, as a year of ordinary
// and extraordinary days would.
type chance struct {
	*world
	r     *rand.Rand
	n     int
	files []ledger.File
}

func (c *chance) pick(of []string) string { return of[c.r.IntN(len(of))] }

func (c *chance) file() (ledger.File, bool) {
	var live []ledger.File
	c.view(func(x *ledger.Tx) error {
		live = nil
		for _, f := range c.files {
			g, err := x.Files.Get(f.ID)
			if err != nil {
				return err
			}
			if g.Retired.IsZero() {
				live = append(live, g)
			}
		}
		return nil
	})
	if len(live) == 0 {
		return ledger.File{}, false
	}
	return live[c.r.IntN(len(live))], true
}

// step does one thing and says what it was.
func (c *chance) step() string {
	stores := []string{"studio", "vault", "attic"}
	store := c.pick(stores)
	c.n++
	switch k := c.r.IntN(20); {
	case k < 3:
		set, p := c.pick([]string{masters, access}), fmt.Sprintf("QV-%d/%d.wav", c.r.IntN(4), c.r.IntN(12))
		err := error(nil)
		c.view(func(x *ledger.Tx) error { _, err = x.Files.At(set, p); return nil })
		if err == nil {
			return "nothing"
		}
		in := stores[:1+c.r.IntN(3)]
		c.files = append(c.files, c.take(set, p, fmt.Sprintf("bytes %d", c.n), c.r.IntN(2) == 0, in...))
		return fmt.Sprintf("take in %s/%s, in %v", set, p, in)
	case k < 9:
		o := order{full: c.r.IntN(2) == 0}
		if c.r.IntN(4) == 0 {
			o.incomplete = fmt.Sprintf("%s/QV-%d", c.pick([]string{masters, access}), c.r.IntN(4))
		}
		if c.r.IntN(6) == 0 {
			o.stopAt = []fixity.Phase{fixity.PhaseProve, fixity.PhaseRead}[c.r.IntN(2)]
		}
		if c.r.IntN(6) == 0 {
			o.set = masters
		}
		c.cache = fixity.Bypassed
		if c.r.IntN(5) == 0 {
			c.cache = fixity.Allowed
		}
		c.audit(store, o)
		return fmt.Sprintf("audit %s %+v", store, o)
	case k < 15:
		return c.happen(store)
	case k < 18:
		return c.decide()
	case k == 18:
		c.pass(time.Duration(c.r.IntN(200)) * time.Hour)
		return "time passes"
	}
	f, ok := c.file()
	if !ok {
		return "nothing"
	}
	if c.r.IntN(3) > 0 {
		c.tx(func(x *ledger.Tx) error { return x.Files.Finish(f, "Ada Wren", "done") })
		return "finish " + f.Path
	}
	c.tx(func(x *ledger.Tx) error { return x.Files.RetireBy(f, "Ada Wren", "no longer wanted") })
	return "retire " + f.Path
}

// happen lets something befall a store.
func (c *chance) happen(store string) string {
	f, ok := c.file()
	if !ok {
		return "nothing"
	}
	at := c.copyOf(f, store).At
	_, there := c.holds[store][f.Set][at]
	switch k := c.r.IntN(7); {
	case !there || k == 0:
		var vs []ledger.Version
		c.view(func(x *ledger.Tx) (err error) { vs, err = x.Files.Versions(f.ID); return err })
		for name := range 4000 { // the bytes of one of its versions
			b := fmt.Sprintf("bytes %d", name)
			if len(vs) > 0 && bytesOf(b).BLAKE3 == vs[c.r.IntN(len(vs))].BLAKE3 {
				c.put(store, f.Set, f.Path, b)
				return fmt.Sprintf("%s is put into %s", f.Path, store)
			}
		}
		return "nothing"
	case k == 1:
		c.rot(store, f.Set, at, fmt.Sprintf("rot %d", c.n))
		return fmt.Sprintf("%s rots in %s", at, store)
	case k == 2:
		c.put(store, f.Set, at, fmt.Sprintf("saved %d", c.n))
		return fmt.Sprintf("%s is saved in %s", at, store)
	case k == 3:
		c.remove(store, f.Set, at)
		return fmt.Sprintf("%s goes from %s", at, store)
	case k == 4:
		to := fmt.Sprintf("QV-%d/moved %d.wav", c.r.IntN(4), c.n)
		c.move(store, f.Set, at, to)
		return fmt.Sprintf("%s moves to %s in %s", at, to, store)
	case k == 5:
		o := []fixity.Outcome{fixity.ReadUnreadable, fixity.ReadUnsteady, ""}[c.r.IntN(3)]
		c.fails(store, f.Set, at, o)
		return fmt.Sprintf("%s in %s: %s", at, store, o)
	}
	c.put(store, f.Set, fmt.Sprintf("QV-%d/stray %d", c.r.IntN(4), c.n), "stray")
	return "a stray in " + store
}

// decide settles or signs off one open finding.
func (c *chance) decide() string {
	var open []ledger.Finding
	c.view(func(x *ledger.Tx) (err error) { open, err = x.Findings.Open(""); return err })
	if len(open) == 0 {
		return "nothing"
	}
	f := open[c.r.IntN(len(open))]
	did := fmt.Sprintf("finding %d, %s of %s in %s: ", f.ID, f.Kind, f.Path, f.Store)
	settle := c.r.IntN(2) == 0
	err := c.l.Tx(c.Context(), c.clock, func(x *ledger.Tx) error {
		switch k := fixity.State(f.Kind); {
		case f.Subject == fixity.OfStray:
			did += "left in peace"
			return x.Findings.SignOffStray(f, "Ada Wren", "wanted")
		case settle || f.Subject != fixity.OfFile:
			did += "settled"
			return x.Findings.Settle(f, fixity.ByPerson, "Ada Wren", "known")
		case k == fixity.Altered || k == fixity.Disputed:
			did += "signed off"
			lies, ok := c.holds[f.Store][f.Set][f.Path]
			if !ok {
				return fixity.ErrRefused
			}
			v := bytesOf(lies.bytes)
			_, err := x.Findings.SignOffVersion(f, v, fixity.Entry{Path: f.Path, Size: v.Size, ModTime: lies.mtime},
				fixity.Evidence{Strength: fixity.Read, At: c.clock, OK: true, Cache: fixity.Bypassed}, 30*day, "Ada Wren", "better")
			return err
		case k == fixity.Misplaced:
			did += "accepted as renamed"
			return x.Findings.SignOffPlace(f, 30*day, "Ada Wren", "better name")
		case k == fixity.Missing:
			did += "retired"
			return x.Findings.SignOffAbsence(f, "Ada Wren", "not wanted")
		}
		return fixity.ErrRefused
	})
	if errors.Is(err, fixity.ErrRefused) {
		return did + ", refused"
	}
	if err != nil {
		c.Fatalf("%s: %v", did, err)
	}
	return did
}

// consistent says that findings, copies and tallies tell one story.
func (c *chance) consistent() {
	c.Helper()
	c.view(func(x *ledger.Tx) error {
		if err := x.Miscounted(); err != nil {
			c.Error(err)
		}
		counts, err := x.Copies.CountsByNumber()
		if err != nil {
			return err
		}
		rules, by := c.l.Rules(), map[int64]int64{}
		open, err := x.Findings.Open("")
		if err != nil {
			return err
		}
		about := map[string]ledger.Finding{}
		for _, f := range open {
			if f.Subject == fixity.OfFile {
				about[fmt.Sprint(f.File, f.Store)] = f
			}
		}
		for _, f := range c.files {
			g, err := x.Files.Get(f.ID)
			if err != nil {
				return err
			}
			copies, err := x.Copies.Of(f.ID)
			if err != nil {
				return err
			}
			var held []string
			for _, y := range copies {
				if care.HoldsVersion(y.State) && rules.IsOf(y, g.Version) {
					held = append(held, y.Store)
				}
			}
			if g.Retired.IsZero() {
				by[int64(rules.CountIndependent(held))]++
			}
			if want := 3; g.Retired.IsZero() && len(copies) != want {
				c.Errorf("%s has %d copies: %+v", g.Path, len(copies), copies)
			}
			for _, y := range copies {
				key := fmt.Sprint(y.File, y.Store)
				fd, isOpen := about[key]
				delete(about, key)
				quiet := y.State == fixity.Intact || y.State == fixity.Editing || y.SettledAs != ""
				promised := y.State == fixity.Awaited || y.State == fixity.Behind
				switch {
				case isOpen && fd.Kind != fixity.Kind(y.State):
					c.Errorf("finding %d says %s and the copy of %s in %s is %s", fd.ID, fd.Kind, g.Path, y.Store, y.State)
				case isOpen && quiet:
					c.Errorf("finding %d is open about %s in %s, which is %s (%q)", fd.ID, g.Path, y.Store, y.State, y.SettledAs)
				case !isOpen && !quiet && !promised:
					c.Errorf("no finding about %s in %s, which is %s", g.Path, y.Store, y.State)
				}
				if y.State == fixity.Intact && (y.Held != g.Version || !y.Wrong.IsZero() || y.At != g.Path) {
					c.Errorf("%s in %s is intact and holds version %d of %d at %s, %v", g.Path, y.Store, y.Held, g.Version, y.At, y.Wrong)
				}
			}
		}
		for _, n := range counts {
			if n.Files != by[n.Copies] {
				c.Errorf("%d files are in %d stores, and the count says %d", by[n.Copies], n.Copies, n.Files)
			}
			delete(by, n.Copies)
		}
		if len(by) > 0 {
			c.Errorf("files by the number of stores that aren't counted: %v", by)
		}
		for _, f := range about {
			c.Errorf("finding %d is about a copy that isn't expected: %s in %s", f.ID, f.Path, f.Store)
		}
		return nil
	})
}

// Whatever happens in whatever order: the tallies are what can be counted, findings
// tell of the copies as they are, and the record holds.
func TestRandomLives(t *testing.T) {
	t.Parallel()
	seeds, steps := uint64(6), 80
	onEach(t, func(t *testing.T, d database) {
		for seed := range seeds {
			if d.url != "" && seed >= 2 {
				break // each query there is a round trip to a server
			}
			t.Run(fmt.Sprint(seed), func(t *testing.T) {
				c := &chance{world: newWorld(t, fresh(t, d)), r: rand.New(rand.NewPCG(seed, 31))}
				var log []string
				for range steps {
					log = append(log, c.step())
					if c.consistent(); t.Failed() {
						t.Fatalf("after %d steps:\n%s", len(log), quoteAll(log[max(0, len(log)-30):]))
					}
				}
				sound(t, c.l)
			})
		}
	})
}
