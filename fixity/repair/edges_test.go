package repair_test

import (
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/digest"
	"firmus/fixity/repair"
)

// holed is a copy with bytes that its medium doesn't give; it notes where it was opened.
type holed struct {
	b      []byte
	hole   func(off int) bool
	opened []int64
}

func (h *holed) part() repair.Part {
	return repair.Part{Open: func(_ context.Context, off int64) (io.ReadCloser, error) {
		h.opened = append(h.opened, off)
		return io.NopCloser(readerFunc(func(p []byte) (int, error) {
			n := 0
			for ; n < len(p) && int(off) < len(h.b); n++ {
				if h.hole != nil && h.hole(int(off)) {
					break
				}
				p[n] = h.b[off]
				off++
			}
			if n == 0 && int(off) == len(h.b) {
				return 0, io.EOF
			}
			if n == 0 {
				return 0, fixity.ErrUnreadable
			}
			return n, nil
		})), nil
	}}
}

func text(n int) []byte {
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(i*7 + i/251)
	}
	return b
}

// wrongAt is b with wrong bytes at some places, each wrong in its own way.
func wrongAt(b []byte, by byte, at ...int) []byte {
	b = bytes.Clone(b)
	for _, k := range at {
		b[k] ^= by
	}
	return b
}

func merge(version []byte, parts ...repair.Part) (from []int64, whole bool, err error) {
	var out bytes.Buffer
	from, err = repair.Merge(context.Background(), &out, int64(len(version)), sumsOf(version), parts)
	return from, bytes.Equal(out.Bytes(), version), err
}

// Who gave something is told, block by block, and a copy that is whole is taken as it is.
func TestWhoGave(t *testing.T) {
	const n = digest.BlockSize
	v := text(n + 5000)
	sector := func(k int) func(int) bool { return func(off int) bool { return off/4096 == k } }
	never := func(int) bool { return true }
	for name, c := range map[string]struct {
		parts []*holed
		want  string
	}{
		"the first is wrong, the second whole":      {[]*holed{{b: wrongAt(v, 1, 7, n+7)}, {b: v}}, "[0 2]"},
		"the first gives nothing, the others mix":   {[]*holed{{b: v, hole: never}, {b: wrongAt(v, 1, 9, n+9)}, {b: wrongAt(v, 1, 5000, n+4000)}}, "[0 2 2]"},
		"the last gives nothing, the others mix":    {[]*holed{{b: wrongAt(v, 1, 9, n+9)}, {b: wrongAt(v, 1, 5000, n+4000)}, {b: v, hole: never}}, "[2 2 0]"},
		"one byte between two that differ":          {[]*holed{{b: wrongAt(v, 1, 100)}, {b: wrongAt(v, 1, 102)}}, "[2 1]"},
		"the last byte of a block":                  {[]*holed{{b: wrongAt(v, 1, n-1)}, {b: wrongAt(v, 1, 3)}}, "[2 1]"},
		"each lacks a sector":                       {[]*holed{{b: v, hole: sector(3)}, {b: v, hole: sector(15)}}, "[2 1]"},
		"the second of two blocks lacks its second": {[]*holed{{b: v, hole: sector(17)}, {b: v, hole: sector(16)}}, "[2 1]"},
	} {
		var parts []repair.Part
		for _, h := range c.parts {
			parts = append(parts, h.part())
		}
		from, whole, err := merge(v, parts...)
		if err != nil || !whole || fmt.Sprint(from) != c.want {
			t.Errorf("%s: %v, whole %t, %v; want %s", name, from, whole, err, c.want)
		}
	}
}

// A copy is read on where it stopped, and opened anew only behind what it doesn't give.
func TestOpenedNoMoreThanNeeded(t *testing.T) {
	const n = digest.BlockSize
	v := text(3 * n)
	whole := &holed{b: v}
	if _, ok, err := merge(v, whole.part()); !ok || err != nil || fmt.Sprint(whole.opened) != "[0]" {
		t.Errorf("a whole copy: %v, opened at %v", err, whole.opened)
	}
	a, b := &holed{b: v, hole: func(off int) bool { return off/4096 == 16+3 || off/4096 == 16+15 }}, &holed{b: v, hole: func(off int) bool { return off/4096 == 16 }}
	if _, ok, err := merge(v, a.part(), b.part()); !ok || err != nil {
		t.Fatal(err)
	}
	// The second block is begun, then taken apart: behind each hole, and not behind its end.
	if want := []int64{0, n, n + 4*4096, 2 * n}; !slices.Equal(a.opened, want) {
		t.Errorf("with two holes in a block it is opened at %v, want %v", a.opened, want)
	}
}

// Where a copy says itself where it goes on, it is asked with the place that it didn't give;
// an answer that doesn't lead on ends nothing.
func TestNextIsAsked(t *testing.T) {
	const n = digest.BlockSize
	v := text(2 * n)
	hole := func(off int) bool { return off >= n+100 && off < n+103 }
	for name, next := range map[string]func(int64) int64{"behind it": func(int64) int64 { return n + 103 }, "nowhere": func(int64) int64 { return 0 }} {
		var asked []int64
		p := (&holed{b: v, hole: hole}).part()
		p.Next = func(off int64) int64 { asked = append(asked, off); return next(off) }
		_, whole, err := merge(v, p, (&holed{b: wrongAt(v, 1, n+9, n+n-9)}).part())
		if err != nil || !whole || len(asked) == 0 || asked[0] != n+100 || asked[len(asked)-1] > n+102 {
			t.Errorf("%s: %v, whole %t, asked of %v", name, err, whole, asked)
		}
	}
}

// What no copy has is told from its first byte to its last.
func TestWhatNobodyHolds(t *testing.T) {
	const n = digest.BlockSize
	v := text(2*n + 3000)
	says := func(from, to int) string {
		return "no copy holds bytes " + fixity.Number(int64(from)) + " to " + fixity.Number(int64(to)) + ":"
	}
	hole := func(from, to int) func(int) bool { return func(off int) bool { return off >= from && off <= to } }
	for name, c := range map[string]struct {
		parts []*holed
		want  string
	}{
		"a stretch":           {[]*holed{{b: v, hole: hole(n+4096, n+3*4096-1)}, {b: v, hole: hole(n+2*4096, n+6*4096)}}, says(n+2*4096, n+3*4096-1)},
		"to the block's end":  {[]*holed{{b: v, hole: hole(n+4096, n+n-1)}}, says(n+4096, n+n-1)},
		"the end of the file": {[]*holed{{b: v[:2*n+100]}}, says(2*n+100, 2*n+2999)},
		"a wrong block":       {[]*holed{{b: wrongAt(v, 1, n)}}, says(n, 2*n-1)},
		"the last, wrong":     {[]*holed{{b: wrongAt(v, 1, 2*n)}}, says(2*n, 2*n+2999)},
	} {
		var parts []repair.Part
		for _, h := range c.parts {
			parts = append(parts, h.part())
		}
		if _, _, err := merge(v, parts...); !errors.Is(err, repair.ErrNotWhole) || !strings.Contains(err.Error(), c.want) {
			t.Errorf("%s: %v, want %s", name, err, c.want)
		}
	}
}

// A block is put together in 4,096 ways at most. With more places that differ, wider ones are
// tried, at last the whole block as one.
func TestManyPlacesThatDiffer(t *testing.T) {
	v := text(digest.BlockSize)
	by := func(n int) (a, b []byte) { // turns at being wrong
		var first, second []int
		for i := range n {
			if i%2 == 0 {
				second = append(second, 1000*(i+1))
			} else {
				first = append(first, 1000*(i+1))
			}
		}
		return wrongAt(v, 1, first...), wrongAt(v, 1, second...)
	}
	for places, want := range map[int]bool{11: true, 12: true, 13: false} {
		a, b := by(places)
		_, whole, err := merge(v, (&holed{b: a}).part(), (&holed{b: b}).part())
		if whole != want || want != (err == nil) {
			t.Errorf("%d places: whole %t, %v", places, whole, err)
		}
	}
	all := make([]int, 12)
	for i := range all {
		all[i] = 1000 * (i + 1)
	}
	second := (&holed{b: v, hole: func(off int) bool { return off == 5 }}).part()
	second.Next = func(off int64) int64 { return off + 1 }
	if _, whole, err := merge(v, (&holed{b: wrongAt(v, 1, all...)}).part(), second); !whole {
		t.Errorf("12 places, all of the second: %v", err)
	}
	short := text(64)
	at := []int{0, 9, 18, 27, 36, 45, 54, 63}
	lacks := (&holed{b: short, hole: func(off int) bool { return off == 5 }}).part()
	lacks.Next = func(off int64) int64 { return off + 1 }
	if _, whole, err := merge(short, (&holed{b: wrongAt(short, 1, at...)}).part(), (&holed{b: wrongAt(short, 2, at...)}).part(), lacks); !whole {
		t.Errorf("a block of 64 bytes as one: %v", err)
	}
}

// The order in which copies are asked for their bytes.
func TestBetter(t *testing.T) {
	r := care.Rules{Stores: []care.Store{{Name: "disk", Kind: "disk"}, {Name: "cloud", Kind: "cloud"}, {Name: "fetched", Kind: "disk", Visiting: true}, {Name: "discs", Kind: "optical"}}}
	at := func(store string, change ...func(*care.Copy)) care.Copy { return in(store, fixity.Intact, change...) }
	due := func(d time.Time) func(*care.Copy) { return func(c *care.Copy) { c.Due = d } }
	unread := func(c *care.Copy) { c.Read.OK = false }
	for _, c := range []struct {
		name string
		a, b care.Copy
		want int
	}{
		{"alike", at("disk"), at("disk"), 0},
		{"read before one whose reading failed", at("disk"), at("disk", unread), -1},
		{"a failed reading is as no reading", at("disk", unread), at("disk", unread, readOn(day)), 0},
		{"read before reported", at("cloud"), at("disk", reportedOnly(day)), -1},
		{"wanted again comes later", at("disk"), at("disk", due(care.AtOnce)), -1},
		{"due by the promise doesn't", at("disk"), at("disk", due(day)), 0},
		{"due at the next audit doesn't", at("disk", due(day)), at("disk", due(care.Now)), 0},
		{"wanted again before reported", at("disk", due(care.AtOnce)), at("disk", reportedOnly(day)), -1},
		{"a drive before a service", at("disk"), at("cloud"), -1},
		{"a service before a drive that is fetched", at("cloud"), at("fetched"), -1},
		{"a service before a disc", at("cloud"), at("discs", onDisc), -1},
		{"a drive that is fetched as a disc", at("fetched"), at("discs", onDisc), 0},
		{"the newer reading", at("disk", readOn(day)), at("disk", readOn(day.Add(-1))), -1},
		{"the newer report", at("cloud", reportedOnly(day)), at("cloud", reportedOnly(day.Add(-1))), -1},
	} {
		if got := repair.Better(r, c.a, c.b); got != c.want {
			t.Errorf("%s: %d", c.name, got)
		}
		if got := repair.Better(r, c.b, c.a); got != -c.want {
			t.Errorf("%s, the other way round: %d", c.name, got)
		}
	}
}

// Whose bytes may be handed on: those of a store where much is wrong come last.
func TestGivers(t *testing.T) {
	intact := fixity.Intact
	copies := []care.Copy{in("attic", intact), in("vault", intact, readOn(day.AddDate(0, -1, 0))), in("studio", fixity.Altered), in("cloud", intact)}
	for wrong, want := range map[string]string{"": "attic vault cloud", "attic": "vault cloud attic", "vault": "attic cloud vault", "cloud": "attic vault cloud", "attic vault": "cloud attic vault"} {
		c := repair.Case{Copies: copies, Current: 2, Rules: rules, From: "vault"}
		if wrong != "" {
			c.Incident = func(s string) bool { return slices.Contains(strings.Fields(wrong), s) }
		}
		var got []string
		for _, d := range repair.Givers(c) {
			got = append(got, d.Store)
		}
		if strings.Join(got, " ") != want {
			t.Errorf("wrong in %q: %v, want %s", wrong, got, want)
		}
	}
}

// What a disc gives comes first, and what it doesn't hold is refused.
func TestADiscGives(t *testing.T) {
	own := in("vault", fixity.Missing)
	c := repair.Case{Copy: own, Copies: []care.Copy{own}, Current: 2, Rules: rules, Disc: "QV-D1", OnDisc: true}
	if p := repair.For(c); p.Way != repair.Add || !p.Joined || p.Refused != "" {
		t.Errorf("%+v", p)
	}
	c.OnDisc = false
	if p := repair.For(c); p.Refused != repair.NotOnDisc {
		t.Errorf("%+v", p)
	}
	c.Disc, c.Parts = "", 1
	if p := repair.For(c); !p.Joined || p.Refused != "" {
		t.Errorf("what discs gave before is joined: %+v", p)
	}
	two := care.Rules{Stores: []care.Store{{Name: "vault", Kind: "disk", OwnDrive: true, Sets: []string{"masters"}}, {Name: "mirror", Kind: "disk", Follows: "vault", Sets: []string{"masters"}}}}
	c.Rules = two
	if p := repair.For(c); fmt.Sprint(p.InStep) != "[vault mirror]" {
		t.Errorf("in step: %v", p.InStep)
	}
}
