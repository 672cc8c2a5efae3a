package main

import (
	"context"
	"fmt"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// discJSON is a disc in the list, as JSON.
type discJSON struct {
	Disc     string         `json:"disc"`
	Twin     string         `json:"twin"`
	Part     int            `json:"part"`
	Kind     string         `json:"kind"`
	Store    string         `json:"store"`
	Box      string         `json:"box"`
	Blank    string         `json:"blank"`
	Burned   string         `json:"burned"`
	Label    string         `json:"label"`
	Control  bool           `json:"control"`
	Files    []discFileJSON `json:"files"`
	Checks   int            `json:"checks"`
	Last     *checkJSON     `json:"last_check"`
	Compared *checkJSON     `json:"compared_with"` // the first check in the same drive at the same speed
	Findings []int64        `json:"findings"`
	Due      string         `json:"due"` // why it should be read now; "" it needn't
}

type discFileJSON struct {
	Set     string `json:"set"`
	Path    string `json:"path"`
	Version int64  `json:"version"`
	Current bool   `json:"current"` // it is the file's version now
}

type checkJSON struct {
	Verdict    fixity.DiscVerdict `json:"verdict"`
	At         *report.Instant    `json:"at"`
	By         string             `json:"by"`
	Drive      string             `json:"drive"`
	Speed      int                `json:"speed"`
	Sectors    int64              `json:"sectors"`
	Retried    int64              `json:"retried"`
	Unreadable int64              `json:"unreadable"`
}

func checkJSONOf(k *ledger.DiscCheck) *checkJSON {
	if k == nil {
		return nil
	}
	return &checkJSON{k.Verdict, report.InstantOf(k.Ended), k.By, k.Drive, k.Speed, k.Sectors, k.Retried + k.Doubtful, k.Unreadable}
}

func (c *command) listDiscs(ctx context.Context, pull checking.Pull) error {
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	ds, err := a.Discs.Pull(ctx, pull)
	if err != nil {
		return err
	}
	if c.json {
		out := []discJSON{}
		for _, d := range ds {
			j := discJSON{Disc: d.Disc.Number, Twin: d.Disc.Twin, Part: d.Disc.Part, Kind: d.Disc.Kind, Store: d.Disc.Store, Box: d.Disc.Box, Blank: d.Disc.Blank,
				Burned: d.Disc.Burned, Label: d.Disc.Label, Control: d.Disc.Control, Files: []discFileJSON{}, Checks: d.Checks, Last: checkJSONOf(d.Last),
				Compared: checkJSONOf(d.First), Findings: []int64{}, Due: d.Due}
			for _, f := range d.Files {
				p, _ := report.Path(f.Path)
				j.Files = append(j.Files, discFileJSON{f.Set, p, f.Version, f.Current})
			}
			for _, f := range d.Open {
				j.Findings = append(j.Findings, f.ID)
			}
			out = append(out, j)
		}
		c.document(map[string]any{"discs": out, "in_drive": inDrives(a)})
		return nil
	}
	for _, d := range inDrives(a) {
		c.printf("In the drive %s: %s\n", d.Drive, d.Words())
	}
	if len(ds) == 0 {
		if pull == (checking.Pull{}) {
			c.printf("No disc is registered: \"firmus disc add\" registers one.\n")
		} else {
			c.printf("No disc: %s\n", pull.InWords())
		}
		return nil
	}
	unread, box := 0, "\n"
	for _, d := range checking.InBoxes(ds) {
		if b := discs.Box(d.Disc.Box); b != box {
			if box = b; b == "" {
				b = "no box"
			} else {
				b = "box " + b
			}
			c.printf("%s:\n", b)
		}
		c.printf("  %-16s %-6s %s\n", d.Disc.Name(), d.Disc.Kind, discLine(d))
		if d.Last == nil {
			unread++
		}
	}
	c.printf("\n%s; %s never read. Tries are a drive's: they aren't error rates of the medium, and are compared\nwithin one drive and speed only.\n", fixity.Count(len(ds), "disc"), fixity.Number(int64(unread)))
	return nil
}

// inDrives is what the daemon has noticed in the drives; not null.
func inDrives(a *app.App) []checking.InDrive {
	return append([]checking.InDrive{}, app.InDrives(a.Config)...)
}

// discLine says of a disc where it is, what it holds and when it was last read.
func discLine(d registering.Listed) string {
	s := ""
	add := func(format string, args ...any) {
		if s != "" {
			s += "; "
		}
		s += fmt.Sprintf(format, args...)
	}
	if d.Disc.Control {
		add("CONTROL DISC, read it first")
	}
	switch {
	case len(d.Files) > 0:
		add("%s", fixity.Count(len(d.Files), "file"))
	case d.Disc.Baseline != nil:
		add("known by its first reading, not since it was burned")
	default:
		add("contents not known")
	}
	old := 0
	for _, f := range d.Files {
		if !f.Current || f.Retired {
			old++
		}
	}
	if old > 0 {
		add("%d of an earlier version", old)
	}
	if d.Last == nil {
		add("never read")
		return s
	}
	add("read %s: %s", report.Local(d.Last.Ended), d.Last.Verdict)
	if n := d.Last.Retried + d.Last.Doubtful; n > 0 {
		add("%s of %s sectors needed several tries", fixity.Number(n), fixity.Number(d.Last.Sectors))
	}
	if d.First != nil && d.Last.Drive != "" {
		worn := ""
		if d.Worn() {
			worn = "MORE than before: "
		}
		add("%s%s when first read in this drive, %s", worn, fixity.Number(d.First.Retried+d.First.Doubtful), report.Local(d.First.Ended))
	}
	if d.Due != "" {
		add("DUE: %s", d.Due)
	}
	if n := len(d.Open); n > 0 {
		add("%s open: firmus findings show %d", fixity.Count(int64(n), "finding"), d.Open[0].ID)
	}
	return s
}
