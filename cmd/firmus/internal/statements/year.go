package statements

import (
	"context"
	"fmt"
	"slices"
	"sort"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Year is the statement of what was done in a year, month by month.
type Year struct {
	Name   string          `json:"name"`
	Year   int             `json:"year"`
	At     *report.Instant `json:"at"`
	Months []Month         `json:"months"` // those that have begun
	// Stores are those whose promise to be read is looked at, with the promise of today.
	Stores []YearStore `json:"stores"`
	// Begun is the record's first event. What was before isn't known.
	Begun *report.Instant `json:"begun"`
	// Rebuilt is when the ledger was last made anew from its event files; null: never.
	Rebuilt *report.Instant `json:"rebuilt"`
	// Restored are the times in the year when it was brought back from a backup.
	Restored []*report.Instant `json:"restored"`

	unsure bool // of some readings at intake it isn't known in which store they were
}

// YearStore is a store with its promise.
type YearStore struct {
	Store  string          `json:"store"`
	Place  string          `json:"place"`
	Within int64           `json:"read_within_seconds"`
	Since  *report.Instant `json:"since"` // it is one of the archive's; null: not yet
}

// Month is what is known of one month.
type Month struct {
	Month string          `json:"month"` // 2026-11
	End   *report.Instant `json:"end"`   // of the last one: when the statement was made
	Known bool            `json:"known"` // false: all of it was before the record

	Taken        int64 `json:"files_taken_in"`
	TakenItems   int64 `json:"items_taken_in"`
	TakenSeconds int64 `json:"seconds_taken_in"`
	Retired      int64 `json:"files_retired"`
	Files        int64 `json:"files"` // under care at its end
	Seconds      int64 `json:"seconds"`
	Unknown      int64 `json:"length_unknown"` // of these files

	Read      int64 `json:"files_read"`
	ReadBytes int64 `json:"bytes_read"`

	NoneIntact int64 `json:"found_none_intact"` // files, each in the month in which it was found so first
	AtRisk     int64 `json:"found_at_risk"`
	Tidy       int64 `json:"found_tidy"`
	PutBack    int64 `json:"put_back"`   // copies, by a recovery
	SignedOff  int64 `json:"signed_off"` // versions
	Ended      int64 `json:"findings_ended"`
	Settled    int64 `json:"findings_settled_by_a_person"` // of these
	Open       int64 `json:"findings_open"`                // at its end

	DiscChecks int64            `json:"disc_checks"`
	Verdicts   map[string]int64 `json:"disc_verdicts"`
	Drills     int64            `json:"drills"`
	Drilled    int64            `json:"drill_files"`
	Proved     int64            `json:"drill_files_proved"`

	// Coverage says of each store how many of the files under care at the month's end had been
	// read there within the promise; null where that isn't known.
	Coverage []*Share `json:"coverage"`

	from, until  time.Time
	taken, sound time.Duration // what TakenSeconds and Seconds are made of
}

// Share is so many of all.
type Share struct {
	Files  int64 `json:"files"`
	Within int64 `json:"within"`
}

// yearVerbs are the events that are counted.
var yearVerbs = []fixity.Verb{fixity.FindingOpened, fixity.FindingSettled, fixity.Recovered, fixity.VersionSigned, fixity.DiscChecked, fixity.Drilled, fixity.LedgerRestored}

// MakeYear reads the statement of a year, by the local calendar; fixity.ErrRefused if it
// hasn't begun.
func MakeYear(ctx context.Context, l *ledger.Ledger, name string, rules care.Rules, year int, now time.Time) (Year, error) {
	y := Year{Name: name, Year: year, At: report.InstantOf(now), Months: []Month{}, Stores: []YearStore{}, Restored: []*report.Instant{}}
	for m := time.January; m <= time.December; m++ {
		from := time.Date(year, m, 1, 0, 0, 0, 0, time.Local)
		if from.After(now) {
			break
		}
		x := Month{Month: from.Format("2006-01"), Verdicts: map[string]int64{}, from: from, until: from.AddDate(0, 1, 0)}
		end := x.until
		if end.After(now) {
			end = now
		}
		x.End = report.InstantOf(end)
		y.Months = append(y.Months, x)
	}
	if len(y.Months) == 0 {
		return y, fmt.Errorf("the year %d has not begun: %w", year, fixity.ErrRefused)
	}
	err := l.View(ctx, func(t *ledger.Tx) error {
		if err := y.known(t, rules); err != nil {
			return err
		}
		files, err := y.lives(t)
		if err != nil {
			return err
		}
		if err := y.events(t); err != nil {
			return err
		}
		if err := y.open(t); err != nil {
			return err
		}
		if err := y.days(t); err != nil {
			return err
		}
		return y.coverage(t, rules, files)
	})
	return y, err
}

// known finds out since when anything is known.
func (y *Year) known(t *ledger.Tx, rules care.Rules) error {
	if err := t.Log.Each(0, 1, func(e ledger.Event) error { y.Begun = report.InstantOf(e.At); return nil }); err != nil {
		return err
	}
	r, err := t.Log.Rebuilding()
	if err != nil {
		return err
	}
	y.Rebuilt = report.InstantOf(r.At)
	since, err := t.Stores.AdoptedAt()
	if err != nil {
		return err
	}
	for _, s := range rules.Stores {
		if s.Kind == "optical" || s.ReadWithin <= 0 {
			continue
		}
		y.Stores = append(y.Stores, YearStore{s.Name, s.Place, int64(s.ReadWithin / time.Second), report.InstantOf(since[s.Name])})
	}
	for i := range y.Months {
		m := &y.Months[i]
		m.Known = y.Begun != nil && m.End.Time.After(y.Begun.Time)
		m.Coverage = make([]*Share, len(y.Stores))
	}
	return nil
}

// month is the one that a time lies in; nil if none of the year does.
func (y *Year) month(at time.Time) *Month {
	i := sort.Search(len(y.Months), func(i int) bool { return y.Months[i].until.After(at) })
	if i == len(y.Months) || at.Before(y.Months[i].from) {
		return nil
	}
	return &y.Months[i]
}

// lives counts what came, what went and what was there.
func (y *Year) lives(t *ledger.Tx) (files []ledger.Life, err error) {
	items := map[*Month]map[string]bool{}
	err = t.Files.Lives(func(x ledger.Life) error {
		files = append(files, x)
		if m := y.month(x.Taken); m != nil {
			m.Taken++
			m.taken += x.Sound
			if items[m] == nil {
				items[m] = map[string]bool{}
			}
			if k := x.Set + "\x00" + x.Item; x.Item != "" && !items[m][k] {
				items[m][k] = true
				m.TakenItems++
			}
		}
		if m := y.month(x.Retired); m != nil && !x.Retired.IsZero() {
			m.Retired++
		}
		for i := range y.Months {
			m := &y.Months[i]
			if !alive(x, m.End.Time) {
				continue
			}
			m.Files++
			if m.sound += x.Sound; x.Sound <= 0 {
				m.Unknown++
			}
		}
		return nil
	})
	for i := range y.Months {
		m := &y.Months[i]
		m.TakenSeconds, m.Seconds = int64(m.taken/time.Second), int64(m.sound/time.Second)
	}
	return files, err
}

func alive(x ledger.Life, at time.Time) bool {
	return !x.Taken.After(at) && (x.Retired.IsZero() || x.Retired.After(at))
}

// events counts what the record tells.
func (y *Year) events(t *ledger.Tx) error {
	last := y.Months[len(y.Months)-1]
	lost := map[int64]bool{} // files; of what is none, findings below 0
	return t.Log.Between(y.Months[0].from, last.until, yearVerbs, func(e ledger.Event) error {
		m := y.month(e.At)
		if m == nil {
			return nil
		}
		data := e.Told()
		number := func(key string) int64 { n, _ := data[key].(float64); return int64(n) }
		switch e.Verb {
		case fixity.FindingOpened:
			switch u, _ := data["urgency"].(string); fixity.Urgency(u) {
			case fixity.NoneIntact:
				of := e.File
				if of == 0 {
					of = -e.Finding
				}
				if !lost[of] {
					lost[of] = true
					m.NoneIntact++
				}
			case fixity.AtRisk:
				m.AtRisk++
			default:
				m.Tidy++
			}
		case fixity.FindingSettled:
			m.Ended++
			if how, _ := data["settled"].(string); fixity.Settled(how) == fixity.ByPerson {
				m.Settled++
			}
		case fixity.Recovered:
			m.PutBack++
		case fixity.VersionSigned:
			m.SignedOff++
		case fixity.DiscChecked:
			m.DiscChecks++
			verdict, _ := data["verdict"].(string)
			m.Verdicts[verdict]++
		case fixity.Drilled:
			m.Drills++
			m.Drilled += number("files")
			m.Proved += number("proved")
		case fixity.LedgerRestored:
			y.Restored = append(y.Restored, report.InstantOf(e.At))
		}
		return nil
	})
}

// open counts what was open at the end of each month.
func (y *Year) open(t *ledger.Tx) error {
	return t.Findings.Spans(func(opened, settled time.Time) {
		for i := range y.Months {
			if m := &y.Months[i]; !opened.After(m.End.Time) && (settled.IsZero() || settled.After(m.End.Time)) {
				m.Open++
			}
		}
	})
}

// days sums up what was read. Days are kept by UTC.
func (y *Year) days(t *ledger.Tx) error {
	ds, err := t.Audits.Days(fmt.Sprintf("%04d-01-01", y.Year), fmt.Sprintf("%04d-12-31", y.Year))
	for _, d := range ds {
		for i := range y.Months {
			if m := &y.Months[i]; m.Month == d.Day[:len("2026-11")] {
				m.Read += d.Read
				m.ReadBytes += d.Bytes
			}
		}
	}
	return err
}

// coverage finds out, from every reading that the record has, what share of the files under
// care at each month's end had been read in each store within the promise of today.
func (y *Year) coverage(t *ledger.Tx, rules care.Rules, files []ledger.Life) error {
	if len(y.Stores) == 0 {
		return nil
	}
	last := int64(0)
	for _, f := range files {
		last = max(last, f.ID)
	}
	at := make([]int32, last+1) // by a file's number, its place and one more
	for i, f := range files {
		at[f.ID] = int32(i) + 1
	}
	store, longest := map[string]int{}, time.Duration(0)
	within := make([][]uint16, len(y.Stores)) // by file, a bit for each month at whose end a reading was within the promise
	n := len(y.Months)
	for i, s := range y.Stores {
		store[s.Store] = i
		longest = max(longest, time.Duration(s.Within)*time.Second)
		within[i] = make([]uint16, len(files))
	}
	ends := make([]int64, n)
	for i, m := range y.Months {
		ends[i] = m.End.Time.UnixNano()
	}
	name, s, asked := "", 0, false
	unsure, err := t.Audits.ReadsSince(y.Months[0].End.Time.Add(-longest), func(r ledger.ReadOf) {
		if r.Store != name { // many in a row are of one store
			name = r.Store
			s, asked = store[name]
		}
		if !asked || r.File <= 0 || r.File > last || at[r.File] == 0 {
			return
		}
		f := at[r.File] - 1
		for m, end := range ends {
			if age := end - r.At; age >= 0 && age <= y.Stores[s].Within*int64(time.Second) {
				within[s][f] |= 1 << m
			}
		}
	})
	if err != nil {
		return err
	}
	y.unsure = unsure
	for i, s := range y.Stores {
		rule, ok := rules.Store(s.Store)
		if !ok || s.Since == nil {
			continue
		}
		shares := make([]Share, n)
		for f, x := range files {
			if !slices.Contains(rule.Sets, x.Set) {
				continue
			}
			for m := range n {
				if !alive(x, y.Months[m].End.Time) {
					continue
				}
				shares[m].Files++
				if within[i][f]&(1<<m) != 0 {
					shares[m].Within++
				}
			}
		}
		for m := range n {
			end := y.Months[m].End.Time
			known := y.Months[m].Known && end.After(s.Since.Time) && (y.Rebuilt == nil || end.After(y.Rebuilt.Time))
			if known && shares[m].Files > 0 {
				y.Months[m].Coverage[i] = &shares[m]
			}
		}
	}
	return nil
}

// YearOf is the year that a person typed; "" is this one.
func YearOf(typed string, now time.Time) (int, error) {
	if typed == "" {
		return now.Local().Year(), nil
	}
	d, err := time.Parse("2006", typed)
	if err != nil {
		return 0, fmt.Errorf("a year is four digits, such as %d, not %q: %w", now.Local().Year(), typed, fixity.ErrRefused)
	}
	return d.Year(), nil
}
