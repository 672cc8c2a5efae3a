package checking_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"strings"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/testing/discmap"
)

// script is a tray in which a test puts discs.
type script struct {
	s       *shelf
	puts    []put
	says    []string
	ejected int
	before  func() // a disc is put in; nil: nothing
}

// put is what is put in: a disc, with what is typed about it, or an error.
type put struct {
	disc  *fake
	typed string
	err   error
}

func (x *script) Next(context.Context, ledger.Disc) (discs.At, string, error) {
	if len(x.puts) == 0 {
		return discs.At{}, "", io.EOF
	}
	if x.before != nil {
		x.before()
	}
	p := x.puts[0]
	x.puts = x.puts[1:]
	x.s.disc = p.disc
	x.s.clock = x.s.clock.Add(time.Minute)
	return discs.At{Drive: "/dev/quillmere"}, p.typed, p.err
}
func (x *script) Says(line string)                { x.says = append(x.says, line) }
func (x *script) Eject(context.Context, discs.At) { x.ejected++ }

func TestASittingGoesOnAndNeverTakesADiscForTheOneAskedFor(t *testing.T) {
	s := newShelf(t)
	var ds []ledger.Disc
	for i, box := range []string{"10", "Box 2", "2"} {
		s.file("masters", fmt.Sprintf("QV-010%d/a.wav", i), 1)
		ds = append(ds, s.add(registering.Order{Number: fmt.Sprintf("QD-000%d", i+1), Kind: ledger.DataDisc, Box: box, Files: []string{fmt.Sprintf("masters/QV-010%d", i)}}))
	}
	list, err := s.env.Pull(t.Context(), checking.Pull{Due: true})
	if err != nil {
		t.Fatal(err)
	}
	var wanted []ledger.Disc
	order := ""
	for _, d := range checking.InBoxes(list) {
		wanted = append(wanted, d.Disc)
		order += d.Disc.Name() + " "
	}
	if order != "QD-0002 QD-0003 QD-0001 " {
		t.Fatalf("in the order of boxes: %s", order)
	}
	in := func(i int, v fixity.DiscVerdict) *fake {
		about := disc(optical.Data, 100+int64(i))
		return &fake{about: about, found: []burned.Match{{ID: ds[i].ID, Sure: true}},
			report: burned.Result{Verdict: v, Check: optical.Result{Map: discmap.Of(about, discmap.AtOnce(100+int64(i)))}}}
	}
	// QD-0002 is asked for and put in; then QD-0001 in the place of QD-0003; then it ends.
	wrong := in(0, fixity.DiscIntact)
	tray := &script{s: s, puts: []put{{disc: in(1, fixity.DiscIntact)}, {disc: wrong, typed: "QD-0001"}, {err: io.EOF}}}
	sat, err := s.env.Sit(t.Context(), "the discs that are due", wanted, checking.Order{}, tray)
	if err != nil || len(sat.Done) != 2 || sat.Done[1].Disc != "QD-0001" || !cmp.Equal(sat.Left, []string{"QD-0003"}) {
		t.Fatalf("%+v, %v", sat, err)
	}
	// Taken up again: only what wasn't read is asked for.
	tray = &script{s: s, puts: []put{{disc: in(2, fixity.DiscUnreadable)}}}
	sat, err = s.env.Sit(t.Context(), "the discs that are due", wanted, checking.Order{}, tray)
	if err != nil || len(sat.Done) != 3 || len(sat.Left) != 0 || len(tray.says) != 1 || !strings.Contains(tray.says[0], "QD-0003: UNREADABLE") || sat.Done[2].Good {
		t.Errorf("%+v, %q, %v", sat, tray.says, err)
	}
	// It is over, so that the next one begins anew.
	tray = &script{s: s}
	if sat, err = s.env.Sit(t.Context(), "the discs that are due", wanted, checking.Order{}, tray); err != nil || len(sat.Done) != 0 {
		t.Errorf("%+v, %v", sat, err)
	}
}

// A disc that is put in where another was asked for is that disc, and says nothing about
// the other: nobody said that it is the one.
func TestASittingTakesADiscOutOfOrderForWhatItIs(t *testing.T) {
	s := newShelf(t)
	var ds []ledger.Disc
	for i := range 2 {
		s.file("masters", fmt.Sprintf("QV-010%d/a.wav", i), 1)
		ds = append(ds, s.add(registering.Order{Number: fmt.Sprintf("QD-000%d", i+1), Kind: ledger.DataDisc, Files: []string{fmt.Sprintf("masters/QV-010%d", i)}}))
	}
	about := disc(optical.Data, 100)
	holds := func(v fixity.DiscVerdict, found ...burned.Match) *fake {
		return &fake{about: about, found: found, report: burned.Result{Verdict: v, Check: optical.Result{Map: discmap.Of(about, discmap.AtOnce(100))}}}
	}
	second, strange := holds(fixity.DiscIntact, burned.Match{ID: ds[1].ID, Sure: true}), holds(fixity.DiscOther)
	tray := &script{s: s, puts: []put{{disc: second}, {disc: strange}, {disc: second, typed: strings.Repeat("x", 65)}, {disc: strange, typed: "QD-0001"}}}
	sat, err := s.env.Sit(t.Context(), "all discs", ds, checking.Order{At: discs.At{Drive: "/dev/quillmere"}}, tray)
	if err != nil || len(sat.Done) != 3 || sat.Done[0].Disc != "QD-0002" || !sat.Done[0].Good || sat.Done[1].Disc != "" {
		t.Fatalf("%+v, %v", sat, err)
	}
	for i, want := range []string{"QD-0001 was asked for, and this is QD-0002: intact", "QD-0001 was asked for, and this is a disc that isn't registered", "is no number", "QD-0001: OTHER"} {
		if i >= len(tray.says) || !strings.Contains(tray.says[i], want) {
			t.Errorf("%d: it says %q, want %q", i, tray.says, want)
		}
	}
	if second.reads != 1 || tray.ejected != 3 { // one check was enough; what makes no sense leaves the disc in
		t.Errorf("read %d times, ejected %d times", second.reads, tray.ejected)
	}
	// Only what a person said of it, typing QD-0001, opened a finding about QD-0001.
	var open []ledger.Finding
	var checks []ledger.DiscCheck
	if err := s.env.Ledger.View(t.Context(), func(tx *ledger.Tx) (err error) {
		if open, err = tx.Findings.OnDisc(ds[0].ID); err == nil {
			checks, err = tx.Discs.Checks(ds[0].ID)
		}
		return err
	}); err != nil || len(open) != 1 || open[0].Kind != fixity.OtherDisc || len(checks) != 1 || checks[0].Written != "QD-0001" {
		t.Errorf("%+v, %+v, %v", open, checks, err)
	}
}

// While a sitting goes on the drive is its own: a daemon that sees the disc leaves it alone.
func TestASittingKeepsTheDrive(t *testing.T) {
	s := newShelf(t)
	s.file("masters", "QV-0100/a.wav", 1)
	d := s.add(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"masters/QV-0100"}})
	about := disc(optical.Data, 100)
	at := discs.At{Drive: "/dev/quillmere"}
	in := &fake{about: about, report: burned.Result{Verdict: fixity.DiscIntact, Check: optical.Result{Map: discmap.Of(about, discmap.AtOnce(100))}}}
	asked := false
	tray := &script{s: s, puts: []put{{disc: in}}, before: func() {
		asked = true
		if _, err := s.env.Check(t.Context(), checking.Order{At: at}); !errors.Is(err, fixity.ErrBusy) {
			t.Errorf("somebody else's check: %v", err)
		}
	}}
	if sat, err := s.env.Sit(t.Context(), "all discs", []ledger.Disc{d}, checking.Order{At: at}, tray); err != nil || len(sat.Done) != 1 || !asked {
		t.Errorf("%+v, %v", sat, err)
	}
	if _, err := s.env.Check(t.Context(), checking.Order{Number: "QD-0001", At: at}); err != nil {
		t.Errorf("after it: %v", err)
	}
}
