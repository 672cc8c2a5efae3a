package report

import (
	"context"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"strconv"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Item is the statement of one item: its files, each copy of them, and what was
// done about them.
type Item struct {
	Item  string   `json:"item"`
	At    *Instant `json:"at"`
	Files []File   `json:"files"`
}

// File is a file under care, or one that was.
type File struct {
	Set        string    `json:"set"`
	Path       string    `json:"path"`
	PathBase64 string    `json:"path_base64,omitempty"`
	Version    int64     `json:"version"` // 0: no version has authority
	TakenIn    *Instant  `json:"taken_in"`
	TakenBy    string    `json:"taken_by"`
	Retired    *Instant  `json:"retired"`
	Versions   []Version `json:"versions"`
	Copies     []Copy    `json:"copies"`
	Findings   []Finding `json:"findings"`
	// Unfinished says that the current version is not a whole recording; null: nothing
	// says so.
	Unfinished *Unfinished `json:"unfinished"`
	Events     []Event     `json:"events"`

	path   string // as it is, where Path is as it is shown
	copies []ledger.Copy
}

// Version is an accepted state of a file.
type Version struct {
	N      int64    `json:"n"`
	Size   int64    `json:"size"`
	SHA256 string   `json:"sha256"`
	BLAKE3 string   `json:"blake3"`
	MD5    string   `json:"md5,omitempty"`
	Reason string   `json:"reason"`
	By     string   `json:"by"`
	At     *Instant `json:"at"`
}

// Event is an entry of the record about a file.
type Event struct {
	Seq    int64       `json:"seq"`
	At     *Instant    `json:"at"`
	Verb   fixity.Verb `json:"verb"`
	By     string      `json:"by"`
	Store  string      `json:"store,omitempty"`
	Reason string      `json:"reason,omitempty"`
}

// MakeItem reads the statement of an item; fixity.ErrNotFound if nothing of it was
// ever under care.
func MakeItem(ctx context.Context, l *ledger.Ledger, item string, now time.Time) (Item, error) {
	out := Item{Item: item, At: InstantOf(now), Files: []File{}}
	err := l.View(ctx, func(t *ledger.Tx) error {
		fs, err := t.FilesOfItem(item)
		if err != nil {
			return err
		}
		if len(fs) == 0 {
			return fmt.Errorf("no file of item %q is under care: %w", item, fixity.ErrNotFound)
		}
		for _, f := range fs {
			x, err := fileOf(t, f)
			if err != nil {
				return err
			}
			out.Files = append(out.Files, x)
		}
		return nil
	})
	return out, err
}

func fileOf(t *ledger.Tx, f ledger.File) (File, error) {
	x := File{Set: f.Set, Version: f.Version, TakenIn: InstantOf(f.TakenAt), TakenBy: f.TakenBy, Retired: InstantOf(f.Retired), Versions: []Version{}, Findings: []Finding{}, Events: []Event{}, path: f.Path}
	x.Path, x.PathBase64 = Path(f.Path)
	vs, err := t.Versions(f.ID)
	if err != nil {
		return x, err
	}
	for _, v := range vs {
		x.Versions = append(x.Versions, Version{v.N, v.Size, v.SHA256.Sum, v.BLAKE3.Sum, v.MD5.Sum, v.Reason, v.By, InstantOf(v.At)})
	}
	if x.copies, err = t.Copies(f.ID); err != nil {
		return x, err
	}
	x.Copies = CopiesOf(x.copies)
	for i, c := range x.copies {
		if c.Carrier == 0 {
			x.Copies[i].Spelled = ledger.Spelling(c.At, f.Path)
		}
	}
	fds, err := t.FindingsOf(f.ID)
	if err != nil {
		return x, err
	}
	for _, fd := range fds {
		x.Findings = append(x.Findings, FindingOf(fd, false))
	}
	switch u, err := t.UnfinishedOf(f.ID); {
	case err == nil:
		line := unfinishedOf(u)
		x.Unfinished = &line
	case !errors.Is(err, fixity.ErrNotFound):
		return x, err
	}
	err = t.EventsOf(f.ID, func(e ledger.Event) error {
		x.Events = append(x.Events, Event{e.Seq, InstantOf(e.At), e.Verb, e.By, e.Store, e.Reason})
		return nil
	})
	return x, err
}

// Text writes the statement for a person.
func (i Item) Text(w io.Writer) {
	fmt.Fprintf(w, "Statement of item %s, %s\n", Show(i.Item), Local(i.At.Time))
	for _, f := range i.Files {
		fmt.Fprintf(w, "\n%s/%s\n", f.Set, Show(f.Path))
		fmt.Fprintf(w, "  taken in %s by %s\n", at(f.TakenIn), f.TakenBy)
		if f.Retired != nil {
			fmt.Fprintf(w, "  RETIRED %s\n", at(f.Retired))
		}
		if f.Version == 0 {
			fmt.Fprintf(w, "  no version has authority: the stores disagreed at intake\n")
		}
		if u := f.Unfinished; u != nil {
			fmt.Fprintf(w, "  NOT WHOLE when first looked at: %s\n             %s\n             every copy is a copy of that, also where it is intact\n", u.Lacking, u.ended())
		}
		for _, v := range f.Versions {
			fmt.Fprintf(w, "  version %d  %s, SHA-256 %s\n             %s, by %s, %s\n", v.N, Size(v.Size), v.SHA256, v.Reason, v.By, at(v.At))
		}
		for _, c := range f.copies {
			where, how := c.Store, LastKnown(c)
			if c.Disc != "" {
				where = "disc " + c.Disc
				if c.Burned != f.Version {
					how += fmt.Sprintf("; burned from version %d", c.Burned)
				}
			}
			fmt.Fprintf(w, "  %-14s %-11s %s\n", where, c.State, how)
			if place := placeOf(c, f.path); place != "" {
				fmt.Fprintf(w, "  %-14s %-11s %s\n", "", "", place)
			}
		}
		for _, fd := range f.Findings {
			end := "open"
			if fd.State != "open" {
				end = fixity.Means("settled", string(fd.Settled))
			}
			fmt.Fprintf(w, "  finding %d: %s in %s, told %s; %s\n", fd.ID, fd.Kind, inWhat(fd), Local(fd.Opened), end)
		}
	}
	fmt.Fprintf(w, "\nThis statement doesn't show that the transfer itself was good, nor what a store holds since it was last read.\n")
}

// CSV writes a row for each copy of each file.
func (i Item) CSV(w io.Writer) error {
	rows := [][]string{{"item", "set", "path", "version", "sha256", "store", "disc", "state", "held_version", "read", "read_ok", "reported", "unfinished"}}
	for _, f := range i.Files {
		sha := ""
		for _, v := range f.Versions {
			if v.N == f.Version {
				sha = v.SHA256
			}
		}
		lacking := ""
		if f.Unfinished != nil {
			lacking = f.Unfinished.Lacking
		}
		for _, c := range f.Copies {
			rows = append(rows, []string{i.Item, f.Set, f.Path, strconv.FormatInt(f.Version, 10), sha, c.Store, c.Disc, string(c.State), strconv.FormatInt(c.Version, 10), rfc(c.Read), strconv.FormatBool(c.ReadOK), rfc(c.Reported), lacking})
		}
	}
	c := csv.NewWriter(w)
	return c.WriteAll(safeCells(rows))
}
