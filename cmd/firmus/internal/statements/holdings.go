// Package statements makes what is printed of an archive as a whole from its ledger: the
// statement of holdings, all that is known of an item, the card for the desk and the sheet
// for who takes the archive over. Package report words what they say of findings.
package statements

import (
	"context"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Holdings is the statement of all holdings.
type Holdings struct {
	Name     string              `json:"name"`
	At       *report.Instant     `json:"at"`
	Stores   []StoreSet          `json:"stores"`
	Copies   []CopiesRow         `json:"copies"` // files by the number of independent stores shown to hold them
	Findings FindingCount        `json:"findings"`
	Retired  int64               `json:"retired"`
	Promises []string            `json:"broken_promises"`
	Shelf    Shelf               `json:"discs"`
	Visits   []report.Visit      `json:"visits"`         // of each visiting store the newest
	Drills   []report.StoreDrill `json:"drills"`         // when files were brought back as a proof
	Shared   []Sharing           `json:"shared_volumes"` // stores that count as one copy
	Keep     []KeepSource        `json:"keep_sources"`   // sticks that may not be erased yet
	Owners   []report.Owner      `json:"owners"`         // accounts that files in the cloud belong to
	// Extents say how much is under care.
	Extents []Extent `json:"extents"`
	// NotReached are the stores that could not be reached when they were last looked for.
	NotReached []NotReached `json:"not_reached"`
	// Thin are the files that no store, or one, was shown to hold; at most 1,000.
	Thin []Thin `json:"few_copies"`
	// TakenOut are stores that the configuration doesn't name any more: they count for nothing.
	TakenOut []ledger.TakenOut `json:"taken_out"`
	// Unfinished are the recordings that are not whole, open and settled.
	Unfinished []Unfinished `json:"unfinished"`
}

// Sharing are stores that lie on one volume, as they were last seen.
type Sharing struct {
	Store string   `json:"store"`
	With  []string `json:"with"`
	Text  string   `json:"text"`
}

// KeepSource is a recorder's stick or the like that must be kept.
type KeepSource struct {
	Source   string          `json:"source"`
	Set      string          `json:"set"`
	Folder   string          `json:"folder"`
	Received *report.Instant `json:"received"`
	Files    int             `json:"files"`
}

// StoreSet is one set in one store.
type StoreSet struct {
	Store      string                 `json:"store"`
	Place      string                 `json:"place"`
	Set        string                 `json:"set"`
	Adopted    bool                   `json:"adopted"`
	Files      int64                  `json:"files"`
	Bytes      int64                  `json:"bytes"`
	States     map[fixity.State]int64 `json:"states"`
	Listed     *report.Instant        `json:"listed"`
	OldestRead *report.Instant        `json:"oldest_read"` // a whole minute, as is the next: none was read before
	NewestRead *report.Instant        `json:"newest_read"`
	NeverRead  int64                  `json:"never_read"`
	Promise    int64                  `json:"read_within_seconds"`
	Kept       bool                   `json:"promise_kept"`
	ReportedBy map[fixity.Basis]int64 `json:"reported_by"`  // copies by what the service that keeps them reports them
	Filling    bool                   `json:"being_filled"` // it was added later, and not all of it has come
}

// CopiesRow counts files.
type CopiesRow struct {
	Stores int64 `json:"stores"`
	Files  int64 `json:"files"`   // shown there by a reading, or by a service's report
	Sound  int64 `json:"seconds"` // of sound in them, as far as that is known
	Read   int64 `json:"read"`    // shown there by readings alone
}

// FindingCount counts open findings by urgency.
type FindingCount struct {
	Disputed   int64 `json:"files_to_decide"`           // stores hold different bytes of them
	Lost       int64 `json:"files_without_intact_copy"` // besides; one file, however many findings tell of it
	NoneIntact int64 `json:"none_intact"`
	AtRisk     int64 `json:"at_risk"`
	Tidy       int64 `json:"tidy"`
	Settled    int64 `json:"copies_settled"` // not as they should be, as a person settled: they count as no copy
}

// MakeHoldings reads the statement from the ledger, as of now.
func MakeHoldings(ctx context.Context, l *ledger.Ledger, name string, rules care.Rules, now time.Time) (Holdings, error) {
	h := Holdings{Name: name, At: report.InstantOf(now), Stores: []StoreSet{}, Copies: []CopiesRow{}, Promises: []string{}, Visits: []report.Visit{}, Drills: []report.StoreDrill{}, Shared: []Sharing{}, Keep: []KeepSource{}, Owners: []report.Owner{}, Unfinished: []Unfinished{}, Extents: []Extent{}, NotReached: []NotReached{}, Thin: []Thin{}, TakenOut: []ledger.TakenOut{}}
	err := l.View(ctx, func(t *ledger.Tx) error {
		sums, err := t.Copies.Summaries()
		if err != nil {
			return err
		}
		filling, err := t.Stores.Filling()
		if err != nil {
			return err
		}
		out, err := t.Stores.TakenOut()
		if err != nil {
			return err
		}
		h.TakenOut = append(h.TakenOut, out...)
		for _, s := range sums {
			rule, ok := rules.Store(s.Store)
			x := StoreSet{Store: s.Store, Place: rule.Place, Set: s.Set, Adopted: s.Adopted, Bytes: s.Bytes, States: s.States,
				Listed: report.InstantOf(s.ListedAt), OldestRead: report.InstantOf(s.OldestRead), NewestRead: report.InstantOf(s.NewestRead), NeverRead: s.NeverRead,
				Promise: int64(rule.ReadWithin / time.Second), ReportedBy: s.Reported,
				Filling: slices.ContainsFunc(filling, func(f ledger.Filling) bool { return f.Store == s.Store && f.Set == s.Set })}
			for _, n := range s.States {
				x.Files += n
			}
			if !ok && x.Files == 0 {
				continue // it was retired, or never was of use
			}
			x.Kept = rule.ReadWithin <= 0 || s.Unread.IsZero() || now.Sub(s.Unread) <= rule.ReadWithin
			if ok && !x.Kept {
				h.Promises = append(h.Promises, fmt.Sprintf("%s, %s: every byte read within %s", s.Store, s.Set, report.Days(rule.ReadWithin)))
			}
			h.Stores = append(h.Stores, x)
		}
		on, err := t.Stores.Rules()
		if err != nil {
			return err
		}
		for _, s := range on.Shared() {
			h.Shared = append(h.Shared, Sharing{s.Store, s.With, s.Words()})
		}
		counts, err := t.Copies.CountsByNumber()
		if err != nil {
			return err
		}
		for _, c := range counts {
			h.Copies = append(h.Copies, CopiesRow{Stores: c.Copies, Files: c.Files, Read: c.Read})
		}
		if err := h.extent(t, rules, now); err != nil {
			return err
		}
		open, err := t.Findings.OpenByUrgency()
		if err != nil {
			return err
		}
		h.Findings = FindingCount{NoneIntact: open[fixity.NoneIntact], AtRisk: open[fixity.AtRisk], Tidy: open[fixity.Tidy]}
		if h.Findings.Settled, err = t.Findings.CountSettled("", "", ""); err != nil {
			return err
		}
		if h.Findings.Lost, h.Findings.Disputed, err = t.Findings.CountLost(); err != nil {
			return err
		}
		if h.Retired, err = t.Files.CountRetired(); err != nil {
			return err
		}
		lacking, err := t.Findings.Unfinished()
		if err != nil {
			return err
		}
		for _, f := range lacking {
			h.Unfinished = append(h.Unfinished, unfinishedOf(f))
		}
		owners, err := t.Services.Owners()
		if err != nil {
			return err
		}
		for _, o := range owners {
			h.Owners = append(h.Owners, report.Owner(o))
		}
		if h.Shelf, err = shelfOf(ctx, t); err != nil {
			return err
		}
		for _, s := range rules.Stores {
			if !s.Visiting {
				continue
			}
			v, err := report.LastVisit(t, s.Name)
			if err != nil {
				return err
			}
			if v != nil {
				h.Visits = append(h.Visits, *v)
			}
		}
		if h.Drills, err = report.DrillsOf(t, rules, now); err != nil {
			return err
		}
		for _, d := range h.Drills {
			if d.Late {
				h.Promises = append(h.Promises, fmt.Sprintf("%s: files brought back as a proof within %s", d.Store, report.Days(time.Duration(d.Within)*time.Second)))
			}
		}
		keep, err := t.Sources.Keep()
		for _, r := range keep {
			folder, _ := report.Path(r.Folder)
			h.Keep = append(h.Keep, KeepSource{r.Source, r.Set, folder, report.InstantOf(r.At), len(r.Files)})
		}
		return err
	})
	return h, err
}

// Grids are its tables; the first is what CSV is made of, a row for each set of each store.
func (h Holdings) Grids() []sheet.Grid {
	stores := sheet.Grid{Name: "Stores", Head: []string{"store", "place", "set", "files", "bytes", "listed", "oldest_read", "newest_read", "never_read", "promise_kept"}}
	for _, t := range fixity.Vocabulary {
		switch t.Group {
		case "state":
			stores.Head = append(stores.Head, t.Code)
		case "basis":
			stores.Head = append(stores.Head, "reported_"+strings.ReplaceAll(t.Code, "-", "_"))
		}
	}
	for _, s := range h.Stores {
		row := []any{s.Store, s.Place, s.Set, s.Files, s.Bytes, rfc(s.Listed), rfc(s.OldestRead), rfc(s.NewestRead), s.NeverRead, strconv.FormatBool(s.Kept)}
		for _, t := range fixity.Vocabulary {
			switch t.Group {
			case "state":
				row = append(row, s.States[fixity.State(t.Code)])
			case "basis":
				row = append(row, s.ReportedBy[fixity.Basis(t.Code)])
			}
		}
		stores.Rows = append(stores.Rows, row)
	}
	care := sheet.Grid{Name: "Under care", Head: []string{"set", "files", "items", "hours", "files_of_unknown_length"}}
	for _, e := range h.Extents {
		care.Rows = append(care.Rows, []any{e.Set, e.Files, e.Items, hours(e.Seconds), e.Unknown})
	}
	copies := sheet.Grid{Name: "Copies", Head: []string{"independent_copies", "files", "hours", "files_by_readings_alone"}}
	for _, c := range h.Copies {
		copies.Rows = append(copies.Rows, []any{c.Stores, c.Files, hours(c.Sound), c.Read})
	}
	few := sheet.Grid{Name: "Few copies", Head: []string{"independent_copies", "set", "path", "item", "in", "hours"}}
	for _, x := range h.Thin {
		few.Rows = append(few.Rows, []any{x.Copies, x.Set, x.Path, x.Item, strings.Join(x.In, " "), hours(x.Seconds)})
	}
	return []sheet.Grid{stores, care, copies, few, notesGrid(h.notShown())}
}

func rfc(i *report.Instant) string {
	if i == nil {
		return ""
	}
	return i.Time.UTC().Format(time.RFC3339)
}

func at(i *report.Instant) string {
	if i == nil {
		return "-"
	}
	return report.Local(i.Time)
}

// ownersBlock lists the accounts, for who must know them by name.
func ownersBlock(all []report.Owner) sheet.Block {
	b := sheet.Block{Title: "Accounts that own files in the cloud. When an account is closed, its files are lost"}
	for _, o := range all {
		what := "a personal account that may be closed: ask its owner to hand the files over to the folder's own account"
		if o.Own {
			what = "the folder's own account"
		}
		if b.Table == nil {
			b.Table = &sheet.Table{Head: []string{"store", "files", "account", ""}, Right: []bool{false, true}}
		}
		b.Table.Rows = append(b.Table.Rows, []string{o.Store, fixity.Number(o.Files), o.Owner, what})
	}
	return b
}
