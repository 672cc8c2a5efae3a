package reels_test

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/reels"
	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

func rules(t *testing.T) care.Rules {
	t.Helper()
	pattern, err := care.NewPattern("{item}/{item}_{side}[_{track}].wav")
	if err != nil {
		t.Fatal(err)
	}
	return care.Rules{
		Sets: []care.Set{{Name: "masters", Role: fixity.Master, Pattern: pattern}, {Name: "access", Role: fixity.Access, Pattern: pattern}},
		Stores: []care.Store{{Name: "studio", Kind: "disk", Sets: []string{"masters", "access"}, Arrivals: true}, {Name: "cloud", Kind: "cloud", Sets: []string{"masters"}},
			{Name: "vault", Kind: "disk", Place: "town hall", Sets: []string{"masters", "access"}}, {Name: "discs", Kind: "optical", Sets: []string{"access"}}},
	}
}

var day = time.Date(2026, 3, 2, 0, 0, 0, 0, time.UTC)

func file(set, path string, discs int, open []ledger.WorkingFinding, states ...string) ledger.Working {
	item, _, _ := strings.Cut(path, "/")
	f := ledger.Working{File: ledger.File{Set: set, Path: path, Item: item, TakenAt: day}, Discs: []int64{1, 2}[:discs], Open: open, Sound: time.Minute}
	for _, s := range states {
		store, state, _ := strings.Cut(s, "=")
		f.Copies = append(f.Copies, ledger.Copy{Store: store, State: fixity.State(state), Since: day, Read: fixity.Evidence{At: day.AddDate(0, 0, len(f.Copies)), OK: true}})
	}
	return f
}

func finding(kind string, step care.Step) []ledger.WorkingFinding {
	return []ledger.WorkingFinding{{ID: 7, Store: "studio", Kind: fixity.Kind(kind), Step: step}}
}

func TestWhatComesNext(t *testing.T) {
	const m, a = "masters", "access"
	master := file(m, "QV-1/QV-1_A.wav", 0, nil, "studio=intact")
	for _, c := range []struct {
		name  string
		next  reels.Next
		of    string
		files []ledger.Working
	}{
		{"a master alone", reels.Edit, "", []ledger.Working{master}},
		{"a damaged master", reels.PutRight, "", []ledger.Working{file(m, "QV-1/QV-1_A.wav", 2, finding("altered", care.StepRecover), "studio=altered", "vault=awaited"), file(a, "QV-1/QV-1_A_01.wav", 2, nil)}},
		{"a transfer that isn't whole", reels.PutRight, "", []ledger.Working{file(m, "QV-1/QV-1_A.wav", 0, finding("unfinished", care.StepTransfer))}},
		{"a change that may be meant", reels.Decide, "", []ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 2, finding("altered", care.StepAsk), "studio=altered")}},
		{"an edit", reels.Finish, "", []ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 0, nil, "studio=editing", "vault=awaited")}},
		{"edited", reels.Burn, "", []ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 0, nil)}},
		{"burned, not in the vault", reels.Bring, "vault", []ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 2, nil, "vault=awaited")}},
		{"late there", reels.Bring, "vault", []ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 2, finding("awaited", care.StepCopy), "vault=awaited")}},
		{"all done", reels.Done, "", []ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 1, nil)}},
	} {
		p := reels.PlanOf(rules(t), false)
		sides := p.SidesOf(c.files)
		if len(sides) != 1 || sides[0].Next != c.next || strings.Join(sides[0].Of, " ") != c.of || sides[0].Item != "QV-1" || sides[0].Side != "A" {
			t.Errorf("%s: %+v, want %s of %q", c.name, sides, c.next, c.of)
		}
		if sides[0].Next.Words() == "" || sides[0].Length != time.Minute {
			t.Errorf("%s: %q, %v long", c.name, sides[0].Next.Words(), sides[0].Length)
		}
	}
	none := rules(t)
	none.Stores = none.Stores[:3]
	if s := reels.PlanOf(none, false).SidesOf([]ledger.Working{master, file(a, "QV-1/QV-1_A_01.wav", 0, nil)}); s[0].Next != reels.Done {
		t.Errorf("an archive without discs is told to burn: %s", s[0].Next)
	}
}

// A cell shows the file that needs somebody most, and is told apart where nothing is
// expected from where nothing is yet.
func TestCells(t *testing.T) {
	p := reels.PlanOf(rules(t), false)
	s := p.SidesOf([]ledger.Working{
		file("masters", "QV-1/QV-1_a.wav", 0, nil, "studio=intact", "cloud=intact", "vault=awaited"),
		file("access", "QV-1/QV-1_A_01.wav", 0, nil, "studio=intact"), file("access", "QV-1/QV-1_A_02.wav", 0, nil, "studio=missing"), file("access", "QV-1/QV-1_A_03.wav", 0, nil, "studio=missing"),
		file("masters", "QV-2/odd name.wav", 0, nil),
	})
	if len(s) != 2 || s[1].Item != "QV-2" || s[1].Side != "" {
		t.Fatalf("%+v", s)
	}
	var got []string
	for i, c := range p.Columns {
		x := s[0].Cells[i]
		got = append(got, fmt.Sprintf("%s %s: %s %d of %d", c.Role, c.Store, x.State, x.Of, x.All))
	}
	want := []string{"master studio: intact 1 of 1", "master cloud: intact 1 of 1", "master vault: awaited 1 of 1", "access studio: missing 2 of 3", "access vault:  0 of 0"}
	if !slices.Equal(got, want) {
		t.Errorf("%q, want %q", got, want)
	}
	if c := s[0].Cells[4]; !c.Expected || !s[0].Cells[1].Since.Equal(day.AddDate(0, 0, 1)) || !s[0].Cells[2].Since.Equal(day) {
		t.Errorf("%+v", s[0].Cells)
	}
}

// Somebody who asks gets what was counted before while it is counted anew.
func TestCounter(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		mark, counted := int64(1), int64(0)
		var later []func(context.Context)
		c := &reels.Counter{
			Mark: func(context.Context) (int64, error) { return mark, nil },
			Count: func(context.Context) (*reels.Overview, error) {
				counted++
				time.Sleep(30 * time.Millisecond)
				return &reels.Overview{Items: counted}, nil
			},
			Run: func(f func(context.Context)) {
				if later = append(later, f); len(later) == 1 {
					go f(context.Background())
				}
			},
		}
		ask := func() int64 {
			o, err := c.Overview(t.Context())
			if err != nil {
				t.Fatal(err)
			}
			return o.Items
		}
		if first := ask(); first != 1 || ask() != first || len(later) != 1 {
			t.Fatal("an unchanged ledger is counted again")
		}
		mark = 2
		if ask() != 1 || len(later) != 1 {
			t.Fatal("counting doesn't rest")
		}
		time.Sleep(800 * time.Millisecond)
		if first := ask(); first != 1 || ask() != first || len(later) != 2 {
			t.Fatalf("%d counts were begun", len(later))
		}
		later[1](t.Context())
		if ask() != 2 {
			t.Error("the new count isn't shown")
		}
	})
}

// The first count is made once, whoever asks meanwhile; nobody is kept waiting for long.
func TestCounterFirst(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		counts := 0
		c := &reels.Counter{
			Mark: func(context.Context) (int64, error) { return 1, nil },
			Count: func(context.Context) (*reels.Overview, error) {
				counts++
				time.Sleep(8 * time.Second)
				return &reels.Overview{Items: 7}, nil
			},
			Run: func(f func(context.Context)) { go f(context.Background()) },
		}
		if o, err := c.Newest(t.Context()); o != nil || err != nil {
			t.Fatalf("before anything was counted: %v, %v", o, err)
		}
		for range 5 {
			began := time.Now()
			if _, err := c.Overview(t.Context()); !errors.Is(err, reels.ErrCounting) || time.Since(began) > time.Second {
				t.Fatalf("after %s: %v", time.Since(began), err)
			}
		}
		time.Sleep(4 * time.Second)
		if o, err := c.Overview(t.Context()); err != nil || o.Items != 7 || counts != 1 {
			t.Fatalf("%v, %v, counted %d times", o, err, counts)
		}
		if o, err := c.Newest(t.Context()); err != nil || o == nil {
			t.Fatalf("%v, %v", o, err)
		}
	})
}

func says(item, side string, x register.Says) fixity.RegisterSays {
	x.Item, x.Side = item, side
	text, _ := json.Marshal(x)
	return fixity.RegisterSays{Item: item, Side: side, Text: string(text), Unplayable: x.Playable == register.CannotAgain}
}

// What the register says is beside what the ledger knows, and its reels without files are
// listed with what comes next.
func TestSaid(t *testing.T) {
	p := reels.PlanOf(rules(t), false)
	var err error
	if p.Said, err = reels.SaidOf([]fixity.RegisterSays{
		says("QV-1", "A", register.Says{Title: "Songs", Base: "acetate", Condition: "sheds", TreatedFrom: "2026-02-01", PlayBy: "2026-04-01"}),
		says("QV-1", "B", register.Says{ToTransfer: true}),
		says("QV-2", "", register.Says{Base: "polyester"}),
		says("QV-3", "", register.Says{ToTransfer: true, Length: register.Lengths{Readings: []register.Reading{{Length: time.Hour}}}}),
		says("QV-4", "A", register.Says{}),
		says("QV-5", "A", register.Says{ToTransfer: true, Playable: register.NeverCould}),
		says("QV-6", "A", register.Says{ToTransfer: true, Priority: "vinegar"}),
		says("QV-7", "A", register.Says{Playable: register.CannotAgain, TreatedFrom: "2026-01-01", TreatedTo: "2026-01-02"}),
	}); err != nil {
		t.Fatal(err)
	}
	var got []string
	for _, s := range p.SidesOf([]ledger.Working{
		file("masters", "QV-1/QV-1_A.wav", 0, nil), file("masters", "QV-2/QV-2_A.wav", 0, nil), file("access", "QV-7/QV-7_A_01.wav", 1, finding("unfinished", care.StepTransfer), "studio=editing"),
	}) {
		x := fmt.Sprintf("%s %s %s %v", s.Item, s.Side, s.Next, s.Length)
		if s.Says != nil {
			x += " " + s.Says.Title + s.Says.Base
		}
		if s.InTreatment() {
			x += " treated"
		}
		if !s.Transferred.IsZero() {
			x += " transferred"
		}
		if s.Unfinished {
			x += " not whole"
		}
		got = append(got, strings.TrimSpace(x))
	}
	want := []string{
		"QV-7 A put-right 1m0s  transferred not whole", // it can't be transferred again
		"QV-6 A transfer 0s",                           // sooner
		"QV-1 A edit 1m0s Songsacetate treated transferred",
		"QV-1 B transfer 0s",
		"QV-2 A edit 1m0s polyester transferred",
		"QV-3  transfer 1h0m0s",
		"QV-4 A seek 0s",
		"QV-5 A unplayable 0s",
	}
	if !slices.Equal(got, want) {
		t.Errorf("%s\nwant\n%s", strings.Join(got, "\n"), strings.Join(want, "\n"))
	}
	s := p.SidesOf(nil)
	for _, x := range s {
		if x.Item == "QV-1" && x.Side == "A" && x.Treatment() != "in treatment since 2026-02-01, to be played by 2026-04-01" || x.Item == "QV-7" && x.Treatment() != "in treatment since 2026-01-01, out of treatment 2026-01-02" {
			t.Errorf("%s: %s", x.Item, x.Treatment())
		}
		if (reels.Filter{Only: reels.OnlyPriority}).Fits(x) != (x.Item == "QV-6") || (reels.Filter{Only: reels.OnlyOnce}).Fits(x) != (x.Item == "QV-7") || (reels.Filter{Base: "acetate"}).Fits(x) != (x.Item == "QV-1" && x.Side == "A") {
			t.Errorf("%s %s: the wrong filter lets it through", x.Item, x.Side)
		}
	}
	for _, n := range reels.Nexts {
		if n.Words() == "" || n != reels.Done && (reels.Side{Next: n}).Order() == "" {
			t.Errorf("%s has no words", n)
		}
	}
	if _, err := reels.SaidOf([]fixity.RegisterSays{{Item: "QV-1", Text: "{"}}); err == nil {
		t.Error("text that isn't JSON is let pass")
	}
}
