package app_test

import (
	"fmt"
	"os"
	"runtime/debug"
	"slices"
	"strconv"
	"strings"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/drivetest"
)

// TestYears lets years pass, each from a seed: an ordinary archive in which transfers
// arrive, access files are edited and renamed, discs are burned, a drive visits, people go
// on holiday, drives and hands do wrong; and an archivist who does what the letters say,
// sometimes late. What is true is known, and held against what the program says:
//
//   - each fault is found within its store's promise, and told,
//   - each finding is about something that isn't as it should be,
//   - a letter comes each week, and no other in a month without a fault,
//   - no recording is lost by what the letters say.
//
// FIRMUS_YEARS says how many years, FIRMUS_YEAR_SEED from which seed on; without them it is
// a quarter of a year. FIRMUS_YEAR_LOG=1 tells what happened.
func TestYears(t *testing.T) {
	if testing.Short() {
		t.Skip("a quarter of a year takes some seconds")
	}
	defer debug.SetGCPercent(debug.SetGCPercent(2000))
	if st, err := os.Stat("/dev/shm"); err == nil && st.IsDir() && os.Getenv("TMPDIR") == "" {
		t.Setenv("TMPDIR", "/dev/shm") // thousands of commits would wait for a drive
	}
	n, seed, days := 1, uint64(1), 84
	if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
		n, days = 2, 364
	}
	if s := os.Getenv("FIRMUS_YEARS"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil || n < 1 {
			t.Fatalf("FIRMUS_YEARS=%s is no number of years", s)
		}
		days = 364
	}
	if s := os.Getenv("FIRMUS_YEAR_SEED"); s != "" {
		var err error
		if seed, err = strconv.ParseUint(s, 10, 64); err != nil {
			t.Fatalf("FIRMUS_YEAR_SEED=%s is no seed", s)
		}
	}
	all := &yearTable{kinds: map[string]*kindTally{}}
	for i := range n {
		t.Run(fmt.Sprint("seed ", seed+uint64(i)), func(t *testing.T) { oneYear(t, seed+uint64(i), days, all) })
	}
	t.Log("\n" + all.String())
	if all.years == n && n > 0 && len(all.kinds) == 0 {
		t.Error("nothing befell the archive")
	}
}

func oneYear(t *testing.T, seed uint64, days int, all *yearTable) {
	drive, err := drivetest.Start(drivetest.Options{HangUp: true})
	if err != nil {
		t.Fatal(err)
	}
	defer drive.Close()
	post, mail := openPost(t)
	folder := drive.AddFolder(drivetest.Root, "Quillmere")
	synctest.Test(t, func(t *testing.T) {
		y := newYear(t, t.TempDir(), seed, drive, folder, post, mail)
		defer func() { // in a year that was broken off as well
			if t.Failed() || os.Getenv("FIRMUS_YEAR_LOG") != "" {
				t.Logf("FIRMUS_YEAR_SEED=%d\n%s", seed, strings.Join(y.evidence, "\n"))
			}
		}()
		y.live(days)
		all.add(y)
	})
}

// live is the year.
func (y *year) live(days int) {
	y.t.Helper()
	y.switchOn()
	if _, err := y.d.App().Receiving.Intake(y.t.Context(), receiving.IntakeOrder{}); err != nil {
		y.t.Fatal(err)
	}
	y.d.Turns()
	y.must(y.d.Post())
	y.goBack()
	plan := map[int]int{} // faults of a day
	for month := range 13 {
		if y.ordinary[month] = y.rng.IntN(5) < 2; y.ordinary[month] {
			continue
		}
		for range 1 + y.rng.IntN(4) {
			plan[28*month+y.rng.IntN(28)]++
		}
	}
	for day := range days {
		nobody := day >= y.holiday[0] && day < y.holiday[1]
		if nobody && y.off {
			if y.d != nil {
				y.switchOff()
			}
			if day+1 == y.holiday[1] {
				y.offDays = append(y.offDays, day)
			}
			y.wrongs(day, plan[day])
			continue
		}
		if y.d == nil {
			y.until(day, 8, 30)
			y.switchOn()
			y.takeIn() // as it does seconds after it was started
			y.post2()
			y.until(day, 9, 30)
			y.turns()
		} else {
			y.until(day, 1, 5)
			y.turns()
		}
		y.until(day, 9, 31)
		if day%7 == 0 {
			y.d.Survey()
		}
		if day%28 == 0 {
			y.must(y.d.CheckRecord())
		}
		y.post2()
		workday := day%7 < 5 && !nobody
		if workday {
			y.until(day, 10, 0)
			if slices.Contains(y.visits, day) && !y.safeIsHere() {
				y.visit()
				y.later(1, y.goBack)
			}
			y.decide()
		}
		y.wrongs(day, plan[day])
		y.watch()
		if workday {
			y.until(day, 15, 0)
			y.work()
			if day%7 == 2 {
				y.pull()
			}
			y.watch()
		}
		y.until(day, 17, 30)
		if y.waiting || !y.settles.IsZero() && !time.Now().Before(y.settles) {
			y.takeIn()
		}
		y.post2()
		if day%7 == 6 {
			y.check()
		}
	}
	y.until(days, 9, 31)
	y.post2()
	y.check()
	y.end(days)
}

// takeIn has the new files taken in that have settled.
func (y *year) takeIn() {
	y.t.Helper()
	y.waiting = false
	var err error
	y.settles, err = y.d.TakeIn()
	y.must(err)
	y.look()
}

// wrongs lets what is planned for a day happen.
func (y *year) wrongs(day, n int) {
	y.until(day, 13, 0)
	for range n {
		y.befall()
	}
}

func (y *year) turns() {
	y.t.Helper()
	y.d.Turns()
	y.look()
	y.post2()
}

func (y *year) post2() {
	y.t.Helper()
	y.must(y.d.Post())
	if len(y.open) == 0 {
		return
	}
	y.must(y.d.App().Ledger.View(y.t.Context(), func(t *ledger.Tx) error {
		rows, err := t.Post.Told()
		for _, r := range rows {
			y.told[r.Finding] = r
		}
		return err
	}))
}

// look holds what was found since the last time against what is true.
func (y *year) look() {
	y.t.Helper()
	var fs []ledger.Finding
	y.must(y.d.App().Ledger.View(y.t.Context(), func(t *ledger.Tx) (err error) { fs, err = t.Findings.All(); return err }))
	last := y.lastID
	for _, f := range fs {
		if _, ok := y.urgent[f.ID]; !ok && f.Urgency != fixity.Tidy {
			y.urgent[f.ID] = time.Now()
			if f.ID > last {
				y.urgent[f.ID] = f.Opened
			}
		}
		if f.ID <= last {
			if was, ok := y.open[f.ID]; ok && !f.Open() {
				y.note("ended: [%d] %s %s %s/%s: %s by %s", f.ID, was.Kind, f.Store, f.Set, f.Path, f.Settled, f.SettledBy)
				delete(y.open, f.ID)
			}
			continue
		}
		y.lastID = max(y.lastID, f.ID)
		if f.Open() {
			y.open[f.ID] = f
		}
		explained := false
		for _, x := range y.faults {
			if x.over.IsZero() && x.explains(f) {
				explained = true
				if x.found.IsZero() {
					x.found, x.finding = f.Opened, f.ID
				}
			}
		}
		if !explained {
			explained = y.holds(f)
		}
		if such, ok := f.Facts.Find(fixity.SuchAs); ok {
			y.note("%s such as %v, of %d", f.Kind, such.Places, f.Count)
		}
		y.note("found: [%d] %s %s %s %s/%s found at %q, step %s, intact in %v", f.ID, f.Urgency, f.Kind, f.Store, f.Set, f.Path, f.FoundAt, f.Step, f.IntactIn)
		if !explained {
			y.t.Errorf("%s: false alarm: [%d] %s %s %s %s/%s %s", time.Now().Format(time.DateTime), f.ID, f.Urgency, f.Kind, f.Store, f.Set, f.Path, f.FoundAt)
		}
	}
}

// holds says that what a finding tells of is so.
func (y *year) holds(f ledger.Finding) bool {
	now := time.Now()
	switch f.Kind {
	case fixity.Away:
		return y.gone[f.Store] != "" && f.Store != "safe"
	case fixity.TooFew:
		for _, x := range y.files {
			n := 0
			for _, s := range y.rightIn(x) {
				if x.in[s].Sub(x.born) < 9*24*time.Hour { // who brings it later has broken the rule
					n++
				}
			}
			if n < 2 && now.Sub(x.born) > 10*24*time.Hour {
				return true
			}
		}
		return false
	case fixity.Late:
		return false
	}
	x := y.of(f)
	if x == nil {
		return false
	}
	switch fixity.State(f.Kind) {
	case fixity.Unsteady: // its first reading was wrong, and a later one shows it
		return f.Facts.Tells(fixity.FirstOther) && slices.ContainsFunc(y.faults, func(l *fault) bool {
			return l.kind == "loose cable" && l.store == f.Store && slices.ContainsFunc(y.versions(f.File), func(v ledger.Version) bool {
				return !v.At.Before(l.at) && (l.over.IsZero() || !v.At.After(l.over))
			})
		})
	case fixity.Unexpected: // what was left under its former name
		_, err := y.bytesIn(f.Store, f.Set, f.Path)
		return err == nil && f.Path != x.path && now.Sub(x.in[f.Store]) > expectWithin[f.Store]
	case fixity.Awaited, fixity.Behind:
		return !y.isRight(f.Store, x) && now.Sub(x.born) > expectWithin[f.Store]
	}
	return !y.isRight(f.Store, x)
}

// versions are those of a file, as the record has them.
func (y *year) versions(file int64) (vs []ledger.Version) {
	y.must(y.d.App().Ledger.View(y.t.Context(), func(t *ledger.Tx) (err error) { vs, err = t.Files.Versions(file); return err }))
	return vs
}

// end looks at the year as a whole.
func (y *year) end(days int) {
	y.t.Helper()
	a := y.d.App()
	if _, err := a.Ledger.Verify(y.t.Context()); err != nil {
		y.t.Errorf("record: %v", err)
	}
	y.must(a.Ledger.CheckCounts(y.t.Context()))
	for _, f := range y.open {
		if time.Since(f.Opened) > 45*24*time.Hour && y.tried[f.ID] > 3 {
			y.t.Errorf("[%d] %s %s %s/%s is open since %s, though the archivist did %d times what it says", f.ID, f.Kind, f.Store, f.Set, f.Path, f.Opened.Format(time.DateOnly), y.tried[f.ID])
		}
	}
	y.checkLetters(days)
	y.switchOff()
	if y.gone["safe"] != "" {
		y.must(os.Rename(y.path("safe"), y.dir+"/safe"))
	}
	for _, f := range y.faults {
		k := y.tally[f.kind]
		if k == nil {
			k = &kindTally{}
			y.tally[f.kind] = k
		}
		k.Planted++
		if !f.over.IsZero() {
			k.Ended++
		}
		if f.said {
			k.Late++
		}
		if f.by != silence && !f.found.IsZero() {
			k.Found++
			k.Days = append(k.Days, f.found.Sub(f.at).Hours()/24)
		}
		k.Promise = max(k.Promise, f.due.Sub(f.at).Hours()/24)
	}
}

// checkLetters: one letter a week, none missed, and in a month without a fault no other.
func (y *year) checkLetters(days int) {
	y.t.Helper()
	var ds []ledger.Delivery
	var fs []ledger.Finding
	y.must(y.d.App().Ledger.View(y.t.Context(), func(t *ledger.Tx) (err error) {
		if ds, err = t.Post.Deliveries(0); err != nil {
			return err
		}
		fs, err = t.Findings.All()
		return err
	}))
	weekly := map[int]int{}
	var last int64
	for _, d := range ds {
		if !y.post.has("<" + d.Letter.MessageID + ">") {
			y.t.Errorf("never left: %s", d.Letter.Subject)
		}
		if d.Letter.ID == last {
			continue
		}
		last = d.Letter.ID
		y.letters++
		day := int(d.Letter.Made.Sub(y.start) / (24 * time.Hour))
		y.note("letter of %s: %s", d.Letter.Made.Format("Mon 2 Jan 15:04"), d.Letter.Subject)
		if d.Letter.Kind == ledger.LetterWeekly {
			weekly[day]++
			continue
		}
		// Nobody copies on what arrived just before a holiday.
		if month := day / 28; y.ordinary[month] && (28*month > y.holiday[1]+7 || 28*month+28 <= y.holiday[0]) && y.quiet(28*month, 28*month+28, fs) {
			y.t.Errorf("%s: in a month without a fault came %q", d.Letter.Made.Format(time.DateOnly), d.Letter.Subject)
		}
	}
	for day := 0; day <= days; day++ {
		want := 0
		away := y.off && day >= y.holiday[0] && day < y.holiday[1]
		if day%7 == 0 && !away || y.off && day == y.holiday[1] {
			want = 1
		}
		if weekly[day] != want {
			y.t.Errorf("%s: %d weekly letters, want %d", y.date(day).Format("Mon 2006-01-02"), weekly[day], want)
		}
	}
	for _, f := range fs {
		if f.Urgency == fixity.Tidy || f.Kind == fixity.Away || f.Kind == fixity.TooFew {
			continue
		}
		since := y.urgent[f.ID] // it may have become so later than it was opened
		if ended := f.SettledAt; !f.Open() && ended.Sub(since) < 24*time.Hour {
			continue
		}
		if r, ok := y.told[f.ID]; !ok || r.First.Sub(since) > 24*time.Hour {
			y.t.Errorf("[%d] %s %s %s/%s of %s was not told within a day: %+v", f.ID, f.Urgency, f.Kind, f.Store, f.Path, since.Format(time.DateOnly), r)
		}
	}
}

// quiet says that no fault was there from one day to another, nor was anything open that is told of.
func (y *year) quiet(from, to int, fs []ledger.Finding) bool {
	if slices.ContainsFunc(fs, func(f ledger.Finding) bool {
		return f.Urgency != fixity.Tidy && f.Opened.Before(y.date(from)) && (f.Open() || f.SettledAt.After(y.date(from)))
	}) {
		return false
	}
	return !slices.ContainsFunc(y.faults, func(x *fault) bool {
		over := x.over
		switch x.kind {
		case "loose cable": // what was taken in over it comes to light when it is read again
			over = over.AddDate(0, 0, 7)
		case "transfer broken off": // other stores are without the file since the first transfer
			over = over.AddDate(0, 0, 9)
		}
		return x.at.Before(y.date(to)) && (x.over.IsZero() || over.After(y.date(from)))
	})
}

// yearTable is what came of all years.
type yearTable struct {
	years, files, letters, lost, findings int
	kinds                                 map[string]*kindTally
}

func (a *yearTable) add(y *year) {
	a.years++
	a.files += len(y.files)
	a.letters += y.letters
	a.findings += int(y.lastID)
	for _, f := range y.files {
		if f.lost {
			a.lost++
		}
	}
	for kind, k := range y.tally {
		x := a.kinds[kind]
		if x == nil {
			x = &kindTally{}
			a.kinds[kind] = x
		}
		x.Planted, x.Found, x.Ended, x.Late = x.Planted+k.Planted, x.Found+k.Found, x.Ended+k.Ended, x.Late+k.Late
		x.Days, x.Promise = append(x.Days, k.Days...), max(x.Promise, k.Promise)
	}
}

func (a *yearTable) String() string {
	var b strings.Builder
	fmt.Fprintf(&b, "%d years, %d files, %d letters, %d findings, %d recordings lost\n", a.years, a.files, a.letters, a.findings, a.lost)
	fmt.Fprintf(&b, "| fault | planted | found | ended | late | days, median | most |\n|---|---|---|---|---|---|---|\n")
	var names []string
	for k := range a.kinds {
		names = append(names, k)
	}
	slices.Sort(names)
	for _, name := range names {
		k := a.kinds[name]
		slices.Sort(k.Days)
		median, most := "", ""
		if n := len(k.Days); n > 0 {
			median, most = fmt.Sprintf("%.1f", k.Days[n/2]), fmt.Sprintf("%.1f", k.Days[n-1])
		}
		fmt.Fprintf(&b, "| %s | %d | %d | %d | %d | %s | %s |\n", name, k.Planted, k.Found, k.Ended, k.Late, median, most)
	}
	return b.String()
}
