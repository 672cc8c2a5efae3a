package care_test

import (
	"flag"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

var update = flag.Bool("update", false, "write the table into the package's comment")

var (
	now  = time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	then = now.Add(-240 * time.Hour)
)

func sum(s string) fixity.Digest {
	return fixity.DigestOf(fixity.BLAKE3, []byte(strings.Repeat(s, 32)[:32]))
}

var states = []fixity.State{fixity.Awaited, fixity.Intact, fixity.Editing, fixity.Behind, fixity.Altered, fixity.Unreadable, fixity.Unsteady, fixity.Disputed,
	fixity.Missing, fixity.Misplaced}

// copyIn is a copy as it comes to be in a state: version 2 is the file's.
func copyIn(s fixity.State) care.Copy {
	c := care.Copy{Store: "studio", Set: "masters", At: "QV-0001/a.wav", File: 7, Held: 2, State: s, Since: then, Size: 1000, ModTime: 1, InodeAt: 7,
		Read: fixity.Evidence{Strength: fixity.Read, At: then, OK: true, Cache: fixity.Bypassed}, Due: now.Add(time.Hour)}
	switch s {
	case fixity.Awaited:
		c.Held, c.Size, c.ModTime, c.Read = 0, -1, 0, fixity.Evidence{}
	case fixity.Behind:
		c.Held = 1
	case fixity.Altered:
		c.Wrong, c.Read.OK, c.Due = sum("x"), false, care.Now
	case fixity.Disputed:
		c.Held, c.Wrong, c.Read.OK, c.Due = 0, sum("x"), false, care.Now
	case fixity.Unreadable, fixity.Unsteady:
		c.Read.OK, c.Due = false, care.Now
	}
	return c
}

func given() care.Given {
	return care.Given{Now: now, Store: care.Store{Name: "studio", Arrivals: true, ReadWithin: 30 * 24 * time.Hour, ExpectWithin: 72 * time.Hour},
		Role: fixity.Master, Current: 2, Newest: 2, InPlace: func(at string) bool { return at == "QV-0001/a.wav" }}
}

func window(r care.Given) care.Given  { r.Role, r.Editing = fixity.Access, true; return r }
func vouched(r care.Given) care.Given { r = window(r); r.Vouched = true; return r }
func bounded(r care.Given) care.Given { r.Store.ReadADay = 1; return r }
func elsewhere(r care.Given) care.Given {
	r.InPlace = func(at string) bool { return at == "QV-0001/b.wav" }
	return r
}

func reading(o fixity.Outcome, size int64) care.Reading {
	e := care.Reading{Outcome: o, Size: size, ModTime: 1, InodeAt: 7, Cache: fixity.Bypassed, At: now}
	switch o {
	case fixity.ReadIntact:
		e.Version = 2
	case fixity.ReadEarlier:
		e.Version = 1
	case fixity.ReadDiffers:
		e.Digest = sum("y")
	}
	return e
}

// sole is of a copy whose only reading the file's version rests on; table rows with it begin so.
func sole(r care.Given) care.Given { r.Sole = true; return r }

func cached(e care.Reading) care.Reading { e.Cache = fixity.Allowed; return e }
func lost(e care.Reading) care.Reading   { e.Lost = true; return e }
func stump(e care.Reading) care.Reading  { e.Stump = true; return e }
func again(e care.Reading) care.Reading  { e.Again, e.Version, e.Digest = true, 1, sum("v"); return e }

type row struct {
	name  string
	e     care.Evidence
	rules func(care.Given) care.Given
}

// table is every kind of evidence, some of them under several rules.
var table = []row{
	{"shown, sign as known", care.Shown{Size: 1000, ModTime: 1}, nil},
	{"shown, sign changed", care.Shown{Size: 1000, ModTime: 2}, nil},
	{"shown, its inode alone changed", care.Shown{Size: 1000, ModTime: 1, InodeAt: 8}, nil},
	{"touched, as a program tells", care.Touched{}, nil},
	{"touched, ahead of all others", care.Touched{Ahead: true}, nil},
	{"not read now, its day is bounded", care.PutOff{}, bounded},
	{"not shown", care.NotShown{}, nil},
	{"elsewhere, by size, time and name", care.Elsewhere{Proof: care.BySign}, nil},
	{"elsewhere, by the service's report", care.Elsewhere{Proof: care.ByReport}, nil},
	{"elsewhere, by its bytes", care.Elsewhere{Proof: care.ByBytes}, nil},
	{"elsewhere, and it was read once", care.Outvoted{Size: 1000, ModTime: 1, At: now}, sole},
	{"proved where it lies", care.Proved{}, nil},
	{"refuted, or vanished", care.Refuted{}, nil},
	{"another spelling", care.PlaceChanged{At: "qv-0001/a.wav", Size: 1000, ModTime: 1, Spelled: true}, nil},
	{"another place, not read", care.PlaceChanged{At: "QV-0001/b.wav", Size: 1000, ModTime: 1}, nil},
	{"another place, the version read", care.PlaceChanged{At: "QV-0001/b.wav", Size: 1000, ModTime: 1, Read: true, Version: 2}, nil},
	{"read: the version", reading(fixity.ReadIntact, 1000), nil},
	{"read: the version, in the window", reading(fixity.ReadIntact, 1000), window},
	{"read: the version, cache allowed", cached(reading(fixity.ReadIntact, 1000)), nil},
	{"read: the version, old name", reading(fixity.ReadIntact, 1000), elsewhere},
	{"read: an earlier version", reading(fixity.ReadEarlier, 900), nil},
	{"read: what was outvoted, again", again(reading(fixity.ReadEarlier, 900)), nil},
	{"read: the same, its sign as known", again(reading(fixity.ReadEarlier, 1000)), nil},
	{"read: an earlier one, in the window", reading(fixity.ReadEarlier, 900), window},
	{"read: one before what was signed off", reading(fixity.ReadEarlier, 900), vouched},
	{"read: a stump of old, in the window", lost(reading(fixity.ReadEarlier, 12)), window},
	{"read: no known version", reading(fixity.ReadDiffers, 1000), nil},
	{"read: a stump", stump(reading(fixity.ReadDiffers, 12)), nil},
	{"read: a whole save in the window", reading(fixity.ReadDiffers, 1200), window},
	{"read: a stump in the window", lost(reading(fixity.ReadDiffers, 12)), window},
	{"read: other bytes, it was read once", reading(fixity.ReadDiffers, 1000), sole},
	{"read: it was read once, and saved", reading(fixity.ReadDiffers, 1001), sole},
	{"read: not all bytes", reading(fixity.ReadUnreadable, 1000), nil},
	{"read: two readings disagree", reading(fixity.ReadUnsteady, 1000), nil},
	{"reported: the version", care.ServiceReport{Version: 2, Size: 1000, ModTime: 1}, nil},
	{"reported: an earlier version", care.ServiceReport{Version: 1, Size: 900, ModTime: 1}, nil},
	{"reported: another digest", care.ServiceReport{}, nil},
	{"on a disc: as burned", care.OnDisc{State: fixity.Intact, At: now, Cache: fixity.Bypassed}, nil},
	{"on a disc: altered", care.OnDisc{State: fixity.Altered, At: now, Cache: fixity.Bypassed}, nil},
	{"a promise is over", care.TimePassed{}, nil},
	{"another copy isn't intact", care.Wanted{Since: now}, nil},
	{"the editing window is over", care.WindowOver{}, nil},
	{"its store joins", care.Joined{}, nil},
	{"taken in, found there", care.TakenIn{Found: true, Version: 1, Size: 5, At: now, Cache: fixity.Bypassed}, nil},
	{"taken in, read once and nowhere else", care.TakenIn{Found: true, Version: 1, Size: 5, At: now, Cache: fixity.Bypassed, Sole: true}, nil},
	{"taken in, not found there", care.TakenIn{}, nil},
	{"taken in, disputed", care.TakenIn{Found: true, Digest: sum("z"), Size: 5, At: now, Cache: fixity.Bypassed}, nil},
	{"its bytes are signed off", care.Accepted{Version: 3, Digest: sum("x"), Size: 1000, ModTime: 1, At: now, Cache: fixity.Bypassed}, nil},
	{"others' bytes are signed off", care.Versioned{Version: 3, Digest: sum("w")}, nil},
	{"others' bytes outvote one reading", care.Versioned{Version: 3, Digest: sum("w"), Outvoted: true}, nil},
	{"the same bytes are signed off", care.Versioned{Version: 3, Digest: sum("x")}, nil},
	{"the version it holds is saved again", care.Versioned{Version: 3, Digest: sum("w"), Same: true}, nil},
	{"a dispute is decided against it", care.Kept{}, nil},
	{"its place is signed off", care.PlaceAccepted{At: "QV-0001/b.wav", Size: 1000, ModTime: 1}, nil},
	{"renamed in another store", care.Renamed{To: "QV-0001/b.wav"}, elsewhere},
	{"another file has its place", care.Displaced{To: "QV-0001/b.wav"}, nil},
	{"its store is replaced", care.StoreReplaced{To: "QV-0001/a.wav"}, nil},
	{"put back", care.PutBack{At: "QV-0001/a.wav", Size: 1000, ModTime: 9}, nil},
	{"settled", care.Settled{}, nil},
}

func (w row) rulesOf() care.Given {
	if w.rules == nil {
		return given()
	}
	return w.rules(given())
}

// begin is the copy that the row's evidence is about.
func (w row) begin(s fixity.State) care.Copy {
	c := copyIn(s)
	if c.Sole = w.rulesOf().Sole && c.Held == 2 && c.Wrong.IsZero(); c.Sole {
		c.Read.At = now.Add(-24 * time.Hour)
	}
	return c
}

func printed() string {
	var b strings.Builder
	fmt.Fprintf(&b, "//\t%-36s", "")
	for _, s := range states {
		fmt.Fprintf(&b, " %-12s", s)
	}
	for _, w := range table {
		fmt.Fprintf(&b, "\n//\t%-36s", w.name)
		for _, s := range states {
			before := w.begin(s)
			after, _ := care.After(before, w.e, w.rulesOf())
			cell := string(after.State)
			if after == before {
				cell = "-"
			} else if !after.Due.Equal(before.Due) {
				cell += "*"
			}
			fmt.Fprintf(&b, " %-12s", cell)
		}
	}
	lines := strings.Split(b.String(), "\n")
	for i := range lines {
		lines[i] = strings.TrimRight(lines[i], " ")
	}
	return strings.Join(lines, "\n")
}

// The package's comment holds the whole state machine; it can't differ from the code.
func TestTheTableInTheCommentIsWhatAfterDoes(t *testing.T) {
	got := printed()
	text, err := os.ReadFile("doc.go")
	if err != nil {
		t.Fatal(err)
	}
	begin, end := strings.Index(string(text), "//\t "), strings.Index(string(text), "\npackage care")
	if *update {
		head := string(text[:end])
		if begin >= 0 {
			head = string(text[:begin])
		} else {
			head = strings.TrimSuffix(head, "// TABLE")
		}
		if err := os.WriteFile("doc.go", []byte(head+got+string(text[end:])), 0o644); err != nil {
			t.Fatal(err)
		}
		return
	}
	if begin < 0 || string(text[begin:end]) != got {
		t.Errorf("the table in doc.go isn't this one (go test ./fixity/care -update writes it):\n%s", got)
	}
}
