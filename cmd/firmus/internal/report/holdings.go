package report

import (
	"context"
	"encoding/csv"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Holdings is the statement of all holdings.
type Holdings struct {
	Name     string       `json:"name"`
	At       *Instant     `json:"at"`
	Stores   []StoreSet   `json:"stores"`
	Copies   []CopiesRow  `json:"copies"` // files by the number of independent stores shown to hold them
	Findings FindingCount `json:"findings"`
	Retired  int64        `json:"retired"`
	Promises []string     `json:"broken_promises"`
	Shelf    Shelf        `json:"shelf"`
	Visits   []Visit      `json:"visits"`         // of each visiting store the newest
	Shared   []Sharing    `json:"shared_volumes"` // stores that count as one copy
	Keep     []KeepSource `json:"keep_sources"`   // sticks that may not be erased yet
	Owners   []Owner      `json:"owners"`         // accounts that files in the cloud belong to
	// Unfinished are the recordings that are not whole, open and settled.
	Unfinished []Unfinished `json:"unfinished"`
}

// Owner is an account that files which a service keeps belong to: they go with it.
type Owner struct {
	Store string `json:"store"`
	Owner string `json:"owner"`
	Files int64  `json:"files"`
	Own   bool   `json:"folder"` // the folder that they lie in is its own too
}

// Sharing are stores that lie on one volume, as they were last seen.
type Sharing struct {
	Store string   `json:"store"`
	With  []string `json:"with"`
	Text  string   `json:"text"`
}

// KeepSource is a recorder's stick or the like that must be kept.
type KeepSource struct {
	Source   string   `json:"source"`
	Set      string   `json:"set"`
	Folder   string   `json:"folder"`
	Received *Instant `json:"received"`
	Files    int      `json:"files"`
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
	Listed     *Instant               `json:"listed"`
	OldestRead *Instant               `json:"oldest_read"`
	NewestRead *Instant               `json:"newest_read"`
	NeverRead  int64                  `json:"never_read"`
	Promise    int64                  `json:"read_within_seconds"`
	Kept       bool                   `json:"promise_kept"`
}

// CopiesRow counts files.
type CopiesRow struct {
	Stores int64 `json:"stores"`
	Files  int64 `json:"files"` // shown there by a reading, or by a service's report
	Read   int64 `json:"read"`  // shown there by readings alone
}

// FindingCount counts open findings by urgency.
type FindingCount struct {
	NoneIntact int64 `json:"none_intact"`
	AtRisk     int64 `json:"at_risk"`
	Tidy       int64 `json:"tidy"`
}

// MakeHoldings reads the statement from the ledger, as of now.
func MakeHoldings(ctx context.Context, l *ledger.Ledger, name string, rules policy.Rules, now time.Time) (Holdings, error) {
	h := Holdings{Name: name, At: InstantOf(now), Stores: []StoreSet{}, Copies: []CopiesRow{}, Promises: []string{}, Visits: []Visit{}, Shared: []Sharing{}, Keep: []KeepSource{}, Owners: []Owner{}, Unfinished: []Unfinished{}}
	err := l.View(ctx, func(t *ledger.Tx) error {
		sums, err := t.Summaries()
		if err != nil {
			return err
		}
		for _, s := range sums {
			rule, ok := rules.Store(s.Store)
			x := StoreSet{Store: s.Store, Place: rule.Place, Set: s.Set, Adopted: s.Adopted, Bytes: s.Bytes, States: s.States,
				Listed: InstantOf(s.ListedAt), OldestRead: InstantOf(s.OldestRead), NewestRead: InstantOf(s.NewestRead), NeverRead: s.NeverRead,
				Promise: int64(rule.ReadWithin / time.Second)}
			for _, n := range s.States {
				x.Files += n
			}
			x.Kept = rule.ReadWithin <= 0 || s.Unread.IsZero() || now.Sub(s.Unread) <= rule.ReadWithin
			if ok && !x.Kept {
				h.Promises = append(h.Promises, fmt.Sprintf("%s, %s: every byte read within %s", s.Store, s.Set, days(rule.ReadWithin)))
			}
			h.Stores = append(h.Stores, x)
		}
		on, err := t.Rules()
		if err != nil {
			return err
		}
		for _, s := range on.Shared() {
			h.Shared = append(h.Shared, Sharing{s.Store, s.With, s.Words()})
		}
		counts, err := t.CopiesCounts()
		if err != nil {
			return err
		}
		for _, c := range counts {
			h.Copies = append(h.Copies, CopiesRow{c.Copies, c.Files, c.Read})
		}
		open, err := t.OpenByUrgency()
		if err != nil {
			return err
		}
		h.Findings = FindingCount{open[fixity.NoneIntact], open[fixity.AtRisk], open[fixity.Tidy]}
		if h.Retired, err = t.Retired(); err != nil {
			return err
		}
		lacking, err := t.Unfinished()
		if err != nil {
			return err
		}
		for _, f := range lacking {
			h.Unfinished = append(h.Unfinished, unfinishedOf(f))
		}
		owners, err := t.Owners()
		if err != nil {
			return err
		}
		for _, o := range owners {
			h.Owners = append(h.Owners, Owner(o))
		}
		if h.Shelf, err = shelfOf(ctx, t); err != nil {
			return err
		}
		for _, s := range rules.Stores {
			if !s.Visiting {
				continue
			}
			v, err := LastVisit(t, s.Name)
			if err != nil {
				return err
			}
			if v != nil {
				h.Visits = append(h.Visits, *v)
			}
		}
		keep, err := t.KeepSources()
		for _, r := range keep {
			folder, _ := Path(r.Folder)
			h.Keep = append(h.Keep, KeepSource{r.Source, r.Set, folder, InstantOf(r.At), len(r.Files)})
		}
		return err
	})
	return h, err
}

func days(d time.Duration) string {
	if d >= 48*time.Hour {
		return Count(int64(d/(24*time.Hour)), "day")
	}
	return d.String()
}

// Text writes the statement for a person.
func (h Holdings) Text(w io.Writer) {
	fmt.Fprintf(w, "%s\nStatement of holdings, %s\n\n", h.Name, Local(h.At.Time))
	fmt.Fprintf(w, "%-12s %-12s %9s %10s %9s  %-22s %-22s %s\n", "store", "set", "files", "size", "intact", "listed", "longest unread", "promised")
	for _, s := range h.Stores {
		promise := "none set"
		if s.Promise > 0 {
			promise = days(time.Duration(s.Promise) * time.Second)
			if s.Kept {
				promise += ", kept"
			} else {
				promise += ", NOT KEPT"
			}
		}
		oldest := at(s.OldestRead)
		if s.NeverRead > 0 {
			oldest = Number(s.NeverRead) + " never read"
		}
		if !s.Adopted {
			oldest, promise = "not yet adopted", ""
		}
		fmt.Fprintf(w, "%-12s %-12s %9s %10s %9s  %-22s %-22s %s\n", s.Store, s.Set, Number(s.Files), Size(s.Bytes), Number(s.States[fixity.Intact]), at(s.Listed), oldest, promise)
		var rest []string
		for _, t := range fixity.Vocabulary {
			if n := s.States[fixity.State(t.Code)]; t.Group == "state" && n > 0 && t.Code != string(fixity.Intact) {
				rest = append(rest, fmt.Sprintf("%s %s", Number(n), t.Code))
			}
		}
		if len(rest) > 0 {
			fmt.Fprintf(w, "%-25s (%s)\n", "", strings.Join(rest, ", "))
		}
	}
	h.Shelf.text(w)
	writeCopies(w, h.Copies)
	for _, s := range h.Shared {
		fmt.Fprintf(w, "  NOTE: %s\n", s.Text)
	}
	fmt.Fprintf(w, "\nOpen findings: %s no intact copy known, %s at risk, %s to tidy\n", Number(h.Findings.NoneIntact), Number(h.Findings.AtRisk), Number(h.Findings.Tidy))
	writeUnfinished(w, h.Unfinished)
	for _, v := range h.Visits {
		fmt.Fprintf(w, "Visit: %s %s\n", v.Store, v.Words(time.Local))
	}
	for _, k := range h.Keep {
		fmt.Fprintf(w, "KEEP: %s, received %s into %s/%s (%s): not all of it was read whole in two independent stores\n", Show(k.Source), at(k.Received), k.Set, Show(k.Folder), Count(int64(k.Files), "file"))
	}
	writeOwners(w, h.Owners)
	if h.Retired > 0 {
		fmt.Fprintf(w, "Retired: %s\n", Count(h.Retired, "file"))
	}
	fmt.Fprintf(w, "\nThis says what was checked and when. It doesn't say that a transfer itself was good, nor what a store holds since.\n")
}

// writeCopies counts files by their copies. What a service reports and what was read are
// told apart where they differ.
func writeCopies(w io.Writer, rows []CopiesRow) {
	counts := func(title string, n func(CopiesRow) int64) {
		fmt.Fprintf(w, "\n%s\n", title)
		for _, c := range rows {
			note := ""
			switch {
			case n(c) == 0:
				continue
			case c.Stores == 0:
				note = "   <- no store was shown to hold it"
			case c.Stores == 1:
				note = "   <- one copy only"
			}
			fmt.Fprintf(w, "  %d  %9s%s\n", c.Stores, Number(n(c)), note)
		}
	}
	counts("Files by the number of independent stores that were shown to hold their current version", func(c CopiesRow) int64 { return c.Files })
	if slices.ContainsFunc(rows, func(c CopiesRow) bool { return c.Read != c.Files }) {
		counts("The same by readings alone, without what a service only reports", func(c CopiesRow) int64 { return c.Read })
	}
}

func at(i *Instant) string {
	if i == nil {
		return "-"
	}
	return Local(i.Time)
}

// CSV writes a row for each set of each store.
func (h Holdings) CSV(w io.Writer) error {
	c := csv.NewWriter(w)
	head := []string{"store", "place", "set", "files", "bytes", "listed", "oldest_read", "newest_read", "never_read", "promise_kept"}
	for _, t := range fixity.Vocabulary {
		if t.Group == "state" {
			head = append(head, t.Code)
		}
	}
	rows := [][]string{head}
	for _, s := range h.Stores {
		row := []string{s.Store, s.Place, s.Set, strconv.FormatInt(s.Files, 10), strconv.FormatInt(s.Bytes, 10), rfc(s.Listed), rfc(s.OldestRead), rfc(s.NewestRead),
			strconv.FormatInt(s.NeverRead, 10), strconv.FormatBool(s.Kept)}
		for _, t := range fixity.Vocabulary {
			if t.Group == "state" {
				row = append(row, strconv.FormatInt(s.States[fixity.State(t.Code)], 10))
			}
		}
		rows = append(rows, row)
	}
	return c.WriteAll(safeCells(rows))
}

func rfc(i *Instant) string {
	if i == nil {
		return ""
	}
	return i.Time.UTC().Format(time.RFC3339)
}

// safeCells keeps a spreadsheet from taking a file's name for a formula: a cell
// that begins as one gets a quotation mark before it (*common practice*).
func safeCells(rows [][]string) [][]string {
	for _, r := range rows {
		for i, c := range r {
			if c != "" && strings.ContainsRune("=+-@\t\r", rune(c[0])) {
				if _, err := strconv.ParseFloat(c, 64); err != nil {
					r[i] = "'" + c
				}
			}
		}
	}
	return rows
}
