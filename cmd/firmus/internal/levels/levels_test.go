package levels_test

import (
	"fmt"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/levels"
)

var now = time.Date(2026, 11, 30, 12, 0, 0, 0, time.UTC)

const day = 24 * time.Hour

// all is an archive that keeps every point that the ledger can show.
func all() levels.Facts {
	return levels.Facts{
		Now: now,
		Groups: []levels.Group{
			{Files: 4000, Copies: 3, Places: []string{"Studio, room 12", "Safe, town hall cellar", "A service on the net"}, Media: []string{"disk", "cloud"}},
			{Files: 200, Copies: 4, Places: []string{"Studio, room 12", "Safe, town hall cellar", "A service on the net", "Disc cabinet"}, Media: []string{"disk", "cloud", "optical"}},
		},
		Stores: []levels.Store{
			{Name: "studio", Copies: 4200, Within: 30 * day, Waits: now.Add(-29 * day), Oldest: now.Add(-29 * day), Arrivals: true},
			{Name: "vault", Copies: 4200, Within: 90 * day, Waits: now.Add(-20 * day), Oldest: now.Add(-20 * day)},
		},
		Backups: []levels.Backup{
			{Store: "studio", Place: "Studio, room 12", At: now.Add(-day)},
			{Store: "vault", Place: "Safe, town hall cellar", At: now.Add(-7 * day)},
		},
		Checked:     now.Add(-day),
		Given:       levels.Given{Files: 40, Differ: 1},
		OnDemand:    levels.Did{N: 2, Last: now.Add(-40 * day), By: "Ada Wren", In: "vault"},
		FollowedUp:  levels.Did{N: 3, Last: now.Add(-50 * day), By: "Ada Wren", In: "vault"},
		PutRight:    levels.Did{N: 1, Last: now.Add(-49 * day), By: "Ada Wren", In: "studio"},
		EverDamaged: 1,
	}
}

// burned is a damaged disc that was burned anew.
var burned = levels.Did{N: 1, Last: now.Add(-3 * day)}

// stated are statements about every point that asks for one.
func stated() (out []levels.Statement) {
	for i, p := range levels.Points {
		if p.Stated() {
			out = append(out, levels.Statement{ID: int64(i), Point: p.Code, Day: "2026-03-01", Words: "it is so", By: "Ada Wren", At: now})
		}
	}
	return out
}

func kept(r levels.Result, code string) (levels.Kept, levels.Cell) {
	for _, c := range r.Cells {
		for _, p := range c.Points {
			if p.Code == code {
				return p, c
			}
		}
	}
	panic(code)
}

// Each point that the ledger shows, by facts that just don't: the point and its cell aren't
// kept, and no level from there on.
func TestEachPointThatIsShown(t *testing.T) {
	tests := []struct {
		point, name string
		facts       func(*levels.Facts)
	}{
		{"storage-1-copies", "one file has one copy", func(f *levels.Facts) {
			f.Groups = append(f.Groups, levels.Group{Files: 1, Copies: 1, Places: []string{"a", "b"}, Media: []string{"disk", "cloud"}})
		}},
		{"storage-1-copies", "two copies in one place", func(f *levels.Facts) { f.Groups[0].Copies, f.Groups[0].Places = 2, []string{"Studio, room 12"} }},
		{"storage-1-copies", "two copies whose places nobody names", func(f *levels.Facts) { f.Groups[0].Copies, f.Groups[0].Places = 2, nil }},
		{"storage-1-copies", "copies that fail together, in two places", func(f *levels.Facts) { f.Groups[0].Copies = 1 }},
		{"storage-1-copies", "stores that are configured, and hold nothing that was read", func(f *levels.Facts) { f.Groups = []levels.Group{{Files: 4200}} }},
		{"storage-1-copies", "no file", func(f *levels.Facts) { f.Groups = nil }},
		{"storage-2-copies", "one file has two copies", func(f *levels.Facts) {
			f.Groups = append(f.Groups, levels.Group{Files: 1, Copies: 2, Places: []string{"a", "b", "c"}, Media: []string{"disk", "cloud"}})
		}},
		{"storage-2-copies", "three copies in one place", func(f *levels.Facts) { f.Groups[0].Places = f.Groups[0].Places[:1] }},
		{"storage-3-threat", "all in one place", func(f *levels.Facts) { f.Groups[0].Places = f.Groups[0].Places[:1] }},
		{"storage-3-medium", "one kind of medium", func(f *levels.Facts) { f.Groups[0].Media = []string{"disk"} }},
		{"storage-3-medium", "one copy, on two kinds that fail together", func(f *levels.Facts) { f.Groups[0].Copies = 1 }},
		{"storage-4-threats", "three copies in two places", func(f *levels.Facts) { f.Groups[0].Places = f.Groups[0].Places[:2] }},
		{"storage-4-threats", "two copies in three places", func(f *levels.Facts) { f.Groups[0].Copies = 2 }},

		{"integrity-1-made", "one file whose checksum nobody knows", func(f *levels.Facts) { f.WithoutVersion = 1 }},
		{"integrity-1-made", "no file", func(f *levels.Facts) { f.Groups = nil }},
		{"integrity-2-copying", "one copy that was never read", func(f *levels.Facts) { f.Stores[1].NeverRead = 1 }},
		{"integrity-2-copying", "nothing was copied", func(f *levels.Facts) { f.Stores = f.Stores[:1] }},
		{"integrity-2-backup", "a backup beside the content alone", func(f *levels.Facts) { f.Backups = f.Backups[:1] }},
		{"integrity-2-backup", "two backups, both in one place", func(f *levels.Facts) { f.Backups[1].Place = f.Backups[0].Place }},
		{"integrity-2-backup", "the other backup is of nine days ago", func(f *levels.Facts) { f.Backups[1].At = now.Add(-9 * day) }},
		{"integrity-2-backup", "the other backup lies nobody says where", func(f *levels.Facts) { f.Backups[1].Place = "" }},
		{"integrity-2-backup", "no backup", func(f *levels.Facts) { f.Backups = nil }},
		{"integrity-3-interval", "a file waits a day too long", func(f *levels.Facts) { f.Stores[0].Waits = now.Add(-31 * day) }},
		{"integrity-3-interval", "a store promises nothing", func(f *levels.Facts) { f.Stores[1].Within = 0 }},
		{"integrity-3-interval", "a promise, and nothing read", func(f *levels.Facts) { f.Stores[1].NeverRead = f.Stores[1].Copies }},
		{"integrity-3-interval", "a store that is configured, and is empty", func(f *levels.Facts) { f.Stores[1].Copies = 0 }},
		{"integrity-1-given", "no list lay beside the files", func(f *levels.Facts) { f.Given = levels.Given{} }},
		{"integrity-1-given", "nobody knows of some files", func(f *levels.Facts) { f.Given.Unknown = 1 }},
		{"integrity-3-outcomes", "the record was never checked", func(f *levels.Facts) { f.Checked = time.Time{} }},
		{"integrity-3-outcomes", "the record was checked nine days ago", func(f *levels.Facts) { f.Checked = now.Add(-9 * day) }},
		{"integrity-3-demand", "nobody ordered one", func(f *levels.Facts) { f.OnDemand = levels.Did{} }},
		{"integrity-3-demand", "the last is two years old", func(f *levels.Facts) { f.OnDemand.Last = now.Add(-700 * day) }},
		{"integrity-4-events", "damage, and no other copy was read", func(f *levels.Facts) { f.FollowedUp, f.PutRight = levels.Did{}, levels.Did{} }},
		{"integrity-4-repair", "a disc was burned anew, and a copy is damaged", func(f *levels.Facts) { f.PutRight, f.BurnedAnew, f.Damaged = levels.Did{}, burned, 1 }},
		{"integrity-4-repair", "one copy is damaged", func(f *levels.Facts) { f.Damaged = 1 }},
		{"integrity-4-repair", "damage that was only settled", func(f *levels.Facts) { f.PutRight = levels.Did{} }},
	}
	tried := map[string]bool{}
	for _, x := range tests {
		f := all()
		if r := levels.Judge(f, stated()); !keptIn(r, x.point) {
			t.Fatalf("%s isn't kept by what keeps it: %+v", x.point, r)
		}
		tried[x.point] = true
		x.facts(&f)
		r := levels.Judge(f, stated())
		k, c := kept(r, x.point)
		if k.Kept || c.Kept || k.Lacks == "" || k.Figures == "" || r.Levels[c.Area] >= c.Level {
			t.Errorf("%s, %s: kept %v, cell %v, level %d: %s", x.point, x.name, k.Kept, c.Kept, r.Levels[c.Area], k.Evidence())
		}
	}
	for _, p := range levels.Points {
		if p.Computed() && !tried[p.Code] {
			t.Errorf("nothing keeps %s from being kept", p.Code)
		}
	}
}

func keptIn(r levels.Result, code string) bool { k, c := kept(r, code); return k.Kept && c.Kept }

// Each point that people state: without its statement, and with all others, it isn't kept.
func TestEachPointThatIsStated(t *testing.T) {
	for _, p := range levels.Points {
		if !p.Stated() {
			continue
		}
		with := levels.Judge(all(), stated())
		if k, _ := kept(with, p.Code); !k.Kept || k.Statement == nil || !strings.Contains(k.Evidence(), "stated by Ada Wren for 2026-03-01: it is so") {
			t.Errorf("%s with its statement: %+v", p.Code, k)
		}
		r := levels.Judge(all(), slices.DeleteFunc(stated(), func(s levels.Statement) bool { return s.Point == p.Code }))
		k, c := kept(r, p.Code)
		if k.Kept || c.Kept || !strings.Contains(k.Lacks, "nobody has stated it") || r.Levels[p.Area] != p.Level-1 {
			t.Errorf("%s without its statement: kept %v, cell %v, level %d", p.Code, k.Kept, c.Kept, r.Levels[p.Area])
		}
		for _, other := range with.Cells {
			if now, _ := kept(r, other.Points[0].Code); other.Points[0].Code != p.Code && !now.Kept {
				t.Errorf("%s hangs on the statement about %s", other.Points[0].Code, p.Code)
			}
		}
	}
}

// The matrix has five areas of four cells, each with the number of points that the published
// one has (version 2.0: storage 3, 2, 3, 3; integrity 3, 3, 3, 2; control 1, 1, 1, 1; metadata
// 2, 1, 2, 2; content 1, 2, 1, 1).
func TestTheMatrix(t *testing.T) {
	want := "storage [3 2 3 3] integrity [3 3 3 2] control [1 1 1 1] metadata [2 1 2 2] content [1 2 1 1]"
	n := map[levels.Area][]int{}
	codes := map[string]bool{}
	for _, a := range levels.Areas {
		n[a] = make([]int, levels.Highest)
	}
	for _, p := range levels.Points {
		n[p.Area][p.Level-1]++
		if codes[p.Code] || !strings.HasPrefix(p.Code, fmt.Sprintf("%s-%d-", p.Area, p.Level)) || !p.Computed() && !p.Stated() {
			t.Errorf("point %q of %s %d", p.Code, p.Area, p.Level)
		}
		codes[p.Code] = true
	}
	var got []string
	for _, a := range levels.Areas {
		got = append(got, fmt.Sprint(a, " ", n[a]))
	}
	if s := strings.Join(got, " "); s != want {
		t.Errorf("%s, want %s", s, want)
	}
}

// All that is asked for reaches level 4 everywhere; nothing at all, or statements alone, or
// figures alone, don't; a level counts only with those below it.
func TestLevelsAreCumulative(t *testing.T) {
	r := levels.Judge(all(), stated())
	for _, a := range levels.Areas {
		if r.Levels[a] != levels.Highest {
			t.Errorf("%s: level %d", a, r.Levels[a])
		}
	}
	configured := levels.Facts{Now: now, Stores: []levels.Store{{Name: "studio", Within: 30 * day, Arrivals: true}, {Name: "vault", Within: 30 * day}}}
	for name, f := range map[string]levels.Facts{"nothing": {Now: now}, "configured stores": configured} {
		r := levels.Judge(f, nil)
		for _, a := range levels.Areas {
			if r.Levels[a] != 0 {
				t.Errorf("%s: %s reaches level %d", name, a, r.Levels[a])
			}
		}
		for _, c := range r.Cells {
			for _, p := range c.Points {
				if p.Kept {
					t.Errorf("%s: %s is kept by %s", name, p.Code, p.Evidence())
				}
			}
		}
		if r = levels.Judge(f, stated()); r.Levels[levels.Storage] != 0 || r.Levels[levels.Integrity] != 0 {
			t.Errorf("%s and statements: %v", name, r.Levels)
		}
	}
	if r := levels.Judge(all(), nil); r.Levels[levels.Storage] != 0 || r.Levels[levels.Integrity] != 0 {
		t.Errorf("figures alone: %v", r.Levels)
	}
	f := all()
	f.Groups = []levels.Group{{Files: 1, Copies: 1, Places: []string{"a", "b", "c"}, Media: []string{"disk", "cloud"}}}
	r = levels.Judge(f, stated())
	if r.Levels[levels.Storage] != 0 {
		t.Errorf("level %d of storage without level 1", r.Levels[levels.Storage])
	}
}

// While nothing was ever found damaged a statement stands in for a repair; a drill doesn't,
// and once there was damage neither does a statement.
func TestADrillIsNoRepair(t *testing.T) {
	f := all()
	f.EverDamaged, f.PutRight, f.FollowedUp = 0, levels.Did{}, levels.Did{}
	for _, code := range []string{"integrity-4-events", "integrity-4-repair"} {
		if keptIn(levels.Judge(f, stated()), code) {
			t.Errorf("%s is kept, and nothing has happened", code)
		}
		said := append(stated(), levels.Statement{Point: "integrity-4-events", Day: "2026-03-01", Words: "so", By: "Ada Wren"}, levels.Statement{Point: "integrity-4-repair", Day: "2026-03-01", Words: "so", By: "Ada Wren"})
		if !keptIn(levels.Judge(f, said), code) {
			t.Errorf("%s isn't kept by a statement while nothing has happened", code)
		}
		f.EverDamaged = 1
		if keptIn(levels.Judge(f, said), code) {
			t.Errorf("%s is kept by a statement in the place of a repair", code)
		}
		f.EverDamaged = 0
	}
}

// A disc can't be put right: one that was burned anew is a replacement.
func TestADiscThatIsBurnedAnewIsReplaced(t *testing.T) {
	f := all()
	f.PutRight, f.BurnedAnew = levels.Did{}, burned
	r := levels.Judge(f, stated())
	if k, _ := kept(r, "integrity-4-repair"); !k.Kept || !strings.Contains(k.Figures, "1 damaged disc retired whose files were read on discs burned since, the last on 27 Nov 2026; none is damaged now") {
		t.Errorf("%+v", k)
	}
}

// The newest statement about a point stands for the others.
func TestTheNewestStatementStands(t *testing.T) {
	said := []levels.Statement{{ID: 1, Point: "control-1-who", By: "Ada Wren", Words: "old"}, {ID: 2, Point: "control-1-who", By: "Bo Ferry", Words: "new"}}
	if k, _ := kept(levels.Judge(all(), said), "control-1-who"); k.Statement == nil || k.Statement.ID != 2 {
		t.Errorf("%+v", k.Statement)
	}
}
