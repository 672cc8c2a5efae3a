package main

import (
	"bufio"
	"context"
	"fmt"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// move is where a file of a store was to be, and where it was found.
type move struct{ store, set, path, found string }

// printFindings lists findings, a line each and the most urgent first; those of an
// incident are one line. What to do, "findings show" says.
func (c *command) printFindings(ctx context.Context, a *app.App, fs []ledger.Finding, fresh map[int64]bool, withStore bool) error {
	if len(fs) == 0 {
		return nil
	}
	ordered := report.Ordered(fs)
	var away map[string]time.Time
	var matters []report.Matter
	var first []int
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if away, err = report.NotHere(t, a.Acts.Rules, a.Acts.Now()); err != nil {
			return err
		}
		matters, first, err = report.Matters(t, a.Acts.Rules, a.Where(), ordered)
		return err
	}); err != nil {
		return err
	}
	moves := map[move]bool{}
	for _, f := range ordered {
		if f.FoundAt != "" {
			moves[move{f.Store, f.Set, f.Path, f.FoundAt}] = true
		}
	}
	out := bufio.NewWriter(c.out)
	for i, m := range matters {
		f := ordered[first[i]]
		seen := ""
		if at, ok := away[f.Store]; ok && f.Subject != fixity.OfStore {
			seen = "when last seen, " + report.Day(at, a.Acts.Now()) + ": "
		}
		mark := ""
		if fresh[f.ID] {
			mark = " new"
		}
		switch {
		case m.Mass():
			fmt.Fprintf(out, "  [%d]%s %s: %s%s\n", f.ID, mark, report.Urgency(f.Urgency), seen, incident(m))
		case len(m.Findings) > 1:
			fmt.Fprintf(out, "  [%s]%s %s: %s%s\n", report.Numbers(m.Findings), mark, report.Heading(m.Findings...), seen, together(m, withStore))
		default:
			fmt.Fprintf(out, "  [%d]%s %s: %s%s\n", f.ID, mark, report.Heading(f), seen, c.inOneLine(m, f, moves[move{f.Store, f.Set, f.FoundAt, f.Path}], withStore))
		}
	}
	what := fmt.Sprintf("firmus findings show %d", ordered[0].ID)
	if len(ordered) > 1 {
		what = "firmus findings show N"
	}
	fmt.Fprintf(out, "  What to do: %s\n", what)
	return out.Flush()
}

// together tells of several findings as one thing: a folder that was moved, two files that
// were exchanged.
func together(m report.Matter, withStore bool) string {
	f := m.Findings[0]
	if was, is, ok := m.Folder(); ok {
		at := f.Set
		if withStore {
			at = f.Store + "/" + f.Set
		}
		return fmt.Sprintf("folder moved, %s: %s of %s lie in %s now%s", at, fixity.Count(len(m.Findings), "file"), report.ShowFolder(was), report.ShowFolder(is), howMuch(m))
	}
	return fmt.Sprintf("swap, %s and %s: each has the bytes of the other", where(f, withStore), where(m.Findings[1], withStore))
}

// howMuch is how much sound a matter is about, behind what it tells; "" if that isn't known.
func howMuch(m report.Matter) string {
	if m.Amount.Sound < time.Second {
		return ""
	}
	return fmt.Sprintf(" (%s)", report.Much(m.Amount))
}

// incident is an incident as one.
func incident(m report.Matter) string {
	f, n := m.Findings[0], int64(len(m.Findings))
	switch {
	case m.Failing():
		return fmt.Sprintf("ONE INCIDENT: %s on %s can't be read: the drive may be failing (incident %d)%s", fixity.Count(n, "file"), f.Store, f.Incident, howMuch(m))
	case f.Kind == fixity.Unfinished:
		return fmt.Sprintf("ONE INCIDENT: %s in %s not whole when Firmus first looked at them (incident %d)%s", fixity.Count(n, "recording"), f.Store, f.Incident, howMuch(m))
	}
	return fmt.Sprintf("ONE INCIDENT: %s %s in %s, %s (incident %d)%s", fixity.Count(n, "file"), f.Kind, f.Store, f.Set, f.Incident, howMuch(m))
}

// inOneLine tells a finding: what, which file, and where it is intact.
func (c *command) inOneLine(m report.Matter, f ledger.Finding, swap, withStore bool) string {
	if f.Subject == fixity.OfRegister { // it says itself in which row
		return "register, " + strings.TrimSuffix(report.What(f, report.Local), ".")
	}
	what := string(f.Kind)
	if f.Anatomy != "" {
		what += " (" + string(f.Anatomy) + ")"
	}
	if f.FoundAt != "" && swap {
		what += ", a swap"
	}
	what += ", " + where(f, withStore)
	if f.Subject == fixity.OfFile && m.Amount.Sound >= time.Second {
		what += ", " + report.Sound(m.Amount.Sound)
	}
	switch {
	case f.Subject != fixity.OfFile:
		what += ": " + report.What(f, report.Local)
	case f.FoundAt != "":
		what += ", found at " + report.Show(f.FoundAt)
	case f.Kind == fixity.Unfinished:
		what += ": " + report.Told(f, report.Local)
	}
	if g := report.Good(f); g != "" && f.Kind != fixity.Unfinished && f.Urgency != fixity.NoneIntact {
		what += "; " + g
	} else if f.Mergeable {
		what += "; the damaged copies together hold every part of it"
	}
	if m.WrongWay(f) != "" {
		what += "; copied the wrong way round"
	}
	return strings.TrimSuffix(what, ".")
}

// where is the place that a finding is about.
func where(f ledger.Finding, withStore bool) string {
	at := f.Set
	if withStore {
		at = strings.TrimSuffix(f.Store+"/"+f.Set, "/")
	}
	if f.Disc != "" {
		at = strings.TrimSpace("disc " + f.Disc + " " + f.Set)
	}
	if f.Path != "" && f.Subject != fixity.OfDisc {
		return strings.TrimPrefix(at+"/", "/") + report.Show(f.Path)
	} else if at == "" {
		return f.Store
	}
	return at
}
