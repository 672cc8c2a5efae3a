package statements

import (
	"context"
	"errors"
	"fmt"
	"html/template"
	"io"
	"strings"
	"time"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// Item is the statement of one item: its files, each copy of them, and what was
// done about them.
type Item struct {
	Item  string          `json:"item"`
	At    *report.Instant `json:"at"`
	Files []File          `json:"files"`
	// Register is what the archive's register says of it.
	Register []Said `json:"register"`
	// Places are where stores stand, as people know it.
	Places map[string]string `json:"places"`
	// NotReached are the stores that could not be reached when they were last looked for:
	// what is said of them is from then.
	NotReached []NotReached `json:"not_reached"`

	archive string
	now     time.Time
	absent  report.Absent
}

// File is a file under care, or one that was.
type File struct {
	Set        string           `json:"set"`
	Path       string           `json:"path"`
	PathBase64 string           `json:"path_base64,omitempty"`
	Version    int64            `json:"version"` // 0: no version has authority
	TakenIn    *report.Instant  `json:"taken_in"`
	TakenBy    string           `json:"taken_by"`
	Retired    *report.Instant  `json:"retired"`
	Versions   []Version        `json:"versions"`
	Copies     []report.Copy    `json:"copies"`
	Findings   []report.Finding `json:"findings"`
	// Unfinished says that the current version is not a whole recording; null: nothing
	// says so.
	Unfinished *Unfinished `json:"unfinished"`
	Events     []Event     `json:"events"`

	// Independent is how many stores that count apart were shown to hold the version under care.
	Independent int64 `json:"independent_copies"`

	path   string // as it is, where Path is as it is shown
	copies []ledger.Copy
	found  []ledger.Finding
	stave  template.HTML
	// retiredBy are those who decided that; "" if the record doesn't say.
	retiredBy string
}

// retired says when a file was retired, and by whom.
func (f File) retired() string {
	if f.retiredBy == "" {
		return at(f.Retired)
	}
	return at(f.Retired) + " by " + f.retiredBy
}

// Version is an accepted state of a file.
type Version struct {
	N      int64           `json:"n"`
	Size   int64           `json:"size"`
	SHA256 string          `json:"sha256"`
	BLAKE3 string          `json:"blake3"`
	Sound  float64         `json:"seconds"` // of sound; 0: not known
	MD5    string          `json:"md5,omitempty"`
	Reason string          `json:"reason"`
	By     string          `json:"by"`
	At     *report.Instant `json:"at"`
	Second string          `json:"confirmed_by,omitempty"` // where two people decided
}

// Event is an entry of the record about a file.
type Event struct {
	Seq    int64           `json:"seq"`
	At     *report.Instant `json:"at"`
	Verb   fixity.Verb     `json:"verb"`
	Means  string          `json:"means"`
	By     string          `json:"by"`
	Second string          `json:"confirmed_by,omitempty"` // where two people decided
	Store  string          `json:"store,omitempty"`
	Reason string          `json:"reason,omitempty"`
}

// MakeItem reads the statement of an item; fixity.ErrNotFound if nothing of it was
// ever under care.
func MakeItem(ctx context.Context, l *ledger.Ledger, archive string, rules care.Rules, item string, now time.Time) (Item, error) {
	out := Item{archive: archive, Item: item, At: report.InstantOf(now), Files: []File{}, Places: map[string]string{}, NotReached: []NotReached{}, now: now}
	for _, s := range rules.Stores {
		if s.Place != "" {
			out.Places[s.Name] = s.Place
		}
	}
	err := l.View(ctx, func(t *ledger.Tx) (err error) {
		if out.absent, err = report.NotHere(t, rules, now); err != nil {
			return err
		}
		out.NotReached = append(out.NotReached, notReached(out.absent, rules)...)
		if out.Register, err = saidOf(t, item); err != nil {
			return err
		}
		fs, err := t.Files.OfItem(item)
		if err != nil {
			return err
		}
		if len(fs) == 0 {
			items, err := t.Files.Items()
			if err != nil {
				return err
			}
			return fmt.Errorf("no file of item %q is under care%s: %w", item, spelling.Ask(item, items), fixity.ErrNotFound)
		}
		apart, err := t.Copies.Apart(item)
		if err != nil {
			return err
		}
		for _, f := range fs {
			x, err := fileOf(t, rules, f)
			if err != nil {
				return err
			}
			x.Independent = apart[f.ID]
			out.Files = append(out.Files, x)
		}
		return nil
	})
	return out, err
}

func fileOf(t *ledger.Tx, rules care.Rules, f ledger.File) (File, error) {
	x := File{Set: f.Set, Version: f.Version, TakenIn: report.InstantOf(f.TakenAt), TakenBy: f.TakenBy, Retired: report.InstantOf(f.Retired), Versions: []Version{}, Findings: []report.Finding{}, Events: []Event{}, path: f.Path}
	x.Path, x.PathBase64 = report.Path(f.Path)
	vs, err := t.Files.Versions(f.ID)
	if err != nil {
		return x, err
	}
	for _, v := range vs {
		x.Versions = append(x.Versions, Version{v.N, v.Size, v.SHA256.Sum, v.BLAKE3.Sum, v.Length.Seconds(), v.MD5.Sum, report.WhyVersion(v, vs), v.By, report.InstantOf(v.At), ""})
	}
	if x.copies, err = t.Copies.Of(f.ID); err != nil {
		return x, err
	}
	x.Copies = report.CopiesOf(x.copies)
	for i, c := range x.copies {
		if c.Carrier == 0 {
			x.Copies[i].Spelled = ledger.Spelling(c.At, f.Path)
		}
	}
	fds, err := t.Findings.Of(f.ID)
	if err != nil {
		return x, err
	}
	x.found = fds
	for _, fd := range fds {
		x.Findings = append(x.Findings, report.FindingOf(fd, rules, false))
	}
	switch u, err := t.Findings.UnfinishedOf(f.ID); {
	case err == nil:
		line := unfinishedOf(u)
		x.Unfinished = &line
	case !errors.Is(err, fixity.ErrNotFound):
		return x, err
	}
	err = t.Log.Of(f.ID, func(e ledger.Event) error {
		second := report.Second(e)
		x.Events = append(x.Events, Event{e.Seq, report.InstantOf(e.At), e.Verb, report.Happened(e), e.By, second, e.Store, e.Reason})
		if e.Verb == fixity.Retired && e.At.Equal(f.Retired) {
			x.retiredBy = report.Deciders(e)
		}
		for i, v := range vs {
			if second != "" && e.By == v.By && e.At.Equal(v.At) {
				x.Versions[i].Second = second
			}
		}
		return nil
	})
	return x, err
}

// Text writes the statement for a person.
func (i Item) Text(out io.Writer) error {
	w := new(strings.Builder)
	fmt.Fprintf(w, "Statement of item %s, %s\n", report.Show(i.Item), report.Local(i.At.Time))
	top := sheet.Sheet{Blocks: []sheet.Block{i.summed()}}
	for _, s := range i.Register {
		top.Blocks = append(top.Blocks, s.block())
	}
	var lines strings.Builder
	if err := top.Text(&lines); err != nil {
		return err
	}
	w.WriteString(strings.TrimLeft(lines.String(), "\n"))
	widest := 14
	for _, f := range i.Files {
		for _, c := range f.copies {
			widest = max(widest, utf8.RuneCountInString(i.where(c)))
		}
	}
	for _, f := range i.Files {
		fmt.Fprintf(w, "\n%s/%s\n", f.Set, report.Show(f.Path))
		fmt.Fprintf(w, "  taken in %s by %s\n", at(f.TakenIn), f.TakenBy)
		if f.Retired != nil {
			fmt.Fprintf(w, "  RETIRED %s\n", f.retired())
		}
		if f.Version == 0 {
			fmt.Fprintf(w, "  no version counts as the right one: the stores disagreed when the file was taken in\n")
		}
		if u := f.Unfinished; u != nil {
			fmt.Fprintf(w, "  NOT WHOLE when first looked at: %s\n             %s\n             every copy is a copy of that, even an intact one\n", u.Lacking, u.ended())
		}
		for _, v := range f.Versions {
			long := ""
			if v.Sound > 0 {
				long = ", " + report.Duration(time.Duration(v.Sound*float64(time.Second))) + " long"
			}
			fmt.Fprintf(w, "  version %d  %s%s, SHA-256 %s\n             %s, by %s, %s\n", v.N, report.Size(v.Size), long, v.SHA256, v.Reason, report.Both(v.By, v.Second), at(v.At))
		}
		if report.InDispute(f.copies) && f.Version > 0 {
			fmt.Fprintf(w, "  stores hold different bytes: no version counts as intact until you decide\n")
		}
		for _, c := range i.Lines(f) {
			fmt.Fprintf(w, "  %-*s  %-11s %s\n", widest, c.Where, c.Is, c.Known)
			if c.At != "" {
				fmt.Fprintf(w, "  %-*s  %-11s %s\n", widest, "", "", c.At)
			}
		}
		for _, fd := range f.Findings {
			end := "open"
			if fd.State != "open" {
				end = fd.Ending()
			}
			fmt.Fprintf(w, "  finding %d: %s in %s, told %s; %s\n", fd.ID, fd.Kind, fd.Where(), report.Local(fd.Opened), end)
		}
	}
	fmt.Fprintf(w, "\n%s\n", notShown)
	_, err := io.WriteString(out, w.String())
	return err
}

// CopyLine is one copy of a file of the item, as people read it.
type CopyLine struct {
	Where string // the store or the disc, and where it stands
	Disc  string
	State fixity.State
	Is    string
	Known string
	At    string // where it lies, if that isn't just the file's path
	Bad   bool   // it isn't as it should be, and isn't merely awaited
}

// Lines are the copies of a file of the item.
func (i Item) Lines(f File) (out []CopyLine) {
	disputed := report.InDispute(f.copies)
	for _, c := range f.copies {
		l := CopyLine{Where: i.where(c), Disc: c.Disc, State: c.State, Is: report.InWords(c, disputed), Known: i.absent.Of(c.Store, i.now, report.LastKnown(c)), At: report.OddPlace(c, f.path),
			Bad: !report.Holds(c) && c.State != fixity.Awaited}
		if c.Disc != "" && c.Burned != f.Version {
			l.Known += fmt.Sprintf("; burned from version %d", c.Burned)
		}
		out = append(out, l)
	}
	return out
}

// Sheet is the statement as a page to print.
func (i Item) Sheet() sheet.Sheet {
	s := sheet.Sheet{Archive: i.archive, Title: "Statement of " + report.Show(i.Item), Under: report.Local(i.At.Time), Style: i.style(), Blocks: []sheet.Block{i.summed()}}
	for _, x := range i.Register {
		s.Blocks = append(s.Blocks, x.block())
	}
	for _, n := range i.NotReached {
		s.Blocks = append(s.Blocks, sheet.Block{Lines: []string{n.words()}})
	}
	for _, f := range i.Files {
		b := sheet.Block{Title: f.Set + "/" + report.Show(f.Path)}
		b.Facts = append(b.Facts, [2]string{"taken in", at(f.TakenIn) + " by " + f.TakenBy})
		if f.Retired != nil {
			b.Facts = append(b.Facts, [2]string{"retired", f.retired()})
		}
		if f.Version == 0 {
			b.Facts = append(b.Facts, [2]string{"version", "none counts as the right one: the stores disagreed when the file was taken in"})
		}
		if u := f.Unfinished; u != nil {
			b.Facts = append(b.Facts, [2]string{"not whole", u.Lacking + "; " + u.ended() + "; every copy is a copy of that"})
		}
		for _, v := range f.Versions {
			long := ""
			if v.Sound > 0 {
				long = ", " + report.Duration(time.Duration(v.Sound*float64(time.Second))) + " long"
			}
			b.Facts = append(b.Facts, [2]string{fmt.Sprintf("version %d", v.N), fmt.Sprintf("%s%s; %s, by %s, %s; SHA-256 %s", report.Size(v.Size), long, v.Reason, report.Both(v.By, v.Second), at(v.At), v.SHA256)})
		}
		for _, fd := range f.Findings {
			end := "open"
			if fd.State != "open" {
				end = fd.Ending()
			}
			b.Facts = append(b.Facts, [2]string{fmt.Sprintf("finding %d", fd.ID), fmt.Sprintf("%s in %s, told %s; %s", fd.Kind, fd.Where(), report.Local(fd.Opened), end)})
		}
		t := sheet.Table{Head: []string{"copy", "is", "how it is known"}}
		for _, c := range i.Lines(f) {
			known := c.Known
			if c.At != "" {
				known += "; " + c.At
			}
			t.Rows = append(t.Rows, []string{c.Where, c.Is, known})
		}
		s.Blocks = append(s.Blocks, b, sheet.Block{Figure: f.stave, Table: &t})
	}
	s.Blocks = append(s.Blocks, sheet.Block{Title: "What this doesn't show", Lines: []string{notShown}})
	return s
}

// notShown is what a statement of an item says of itself.
const notShown = "This statement doesn't show that the transfer itself was good, nor what a store holds since it was last read."

// where names a copy's place: a disc or a store, and where it stands.
func (i Item) where(c ledger.Copy) string {
	name := c.Store
	if c.Disc != "" {
		name = "disc " + c.Disc
	}
	if p := i.Places[c.Store]; p != "" {
		name += " (" + p + ")"
	}
	return name
}
