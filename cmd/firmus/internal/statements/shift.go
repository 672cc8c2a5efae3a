package statements

import (
	"context"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// shiftMost is how many acts of one kind a shift's sheet names, and shiftPage how many
// events are read at once, backwards.
const (
	shiftMost = 12
	shiftPage = 500
)

// shiftKinds are what people do in a shift, in the order in which they are told.
var shiftKinds = []struct {
	verb  fixity.Verb
	title string
}{
	{fixity.ReceivedFrom, "Received from a stick"}, {fixity.TakenIn, "Taken under care"}, {fixity.MayBeErased, "May be erased"}, {fixity.Finished, "Edits finished"},
	{fixity.VersionSigned, "Signed off"}, {fixity.VersionKept, "Decided for the present version"}, {fixity.Renamed, "Accepted as renamed"}, {fixity.Recovered, "Put right"},
	{fixity.FindingSettled, "Findings ended"}, {fixity.FindingOpened, "Findings opened"}, {fixity.DiscAdded, "Discs registered"}, {fixity.DiscChecked, "Discs read"}, {fixity.Retired, "Retired"},
}

// Waiting is what waits at the end of a shift, a line each.
type Waiting struct{ What, Words string }

// Shift is the sheet of what was done since a time, and what waits. Only what the record
// holds is on it.
func Shift(ctx context.Context, l *ledger.Ledger, archive string, since, now time.Time, waits []Waiting) (sheet.Sheet, error) {
	s := sheet.Sheet{Archive: archive, Title: "End of the shift", Under: fmt.Sprintf("%s to %s", report.Local(since), report.Local(now))}
	s.Blocks = append(s.Blocks, sheet.Block{Lines: []string{"Written by ______________________   for ______________________"}})
	done := map[fixity.Verb][]string{}
	count, files := map[fixity.Verb]int64{}, map[fixity.Verb]int64{}
	err := l.View(ctx, func(t *ledger.Tx) error {
		end, err := t.Log.Count()
		if err != nil {
			return err
		}
		for more := true; more && end > 0; {
			from := max(0, end-shiftPage)
			var page []ledger.Event
			if err := t.Log.Each(from, int(end-from), func(e ledger.Event) error { page = append(page, e); return nil }); err != nil {
				return err
			}
			for _, e := range slices.Backward(page) {
				if e.At.Before(since) {
					more = false
					break
				}
				if n, ok := e.Told()["files"].(float64); ok && e.File == 0 {
					files[e.Verb] += int64(n)
				}
				if count[e.Verb]++; len(done[e.Verb]) < shiftMost {
					line, err := eventLine(t, e)
					if err != nil {
						return err
					}
					done[e.Verb] = append(done[e.Verb], line)
				}
			}
			end = from
		}
		return nil
	})
	if err != nil {
		return s, err
	}
	for _, k := range shiftKinds {
		if count[k.verb] == 0 {
			continue
		}
		b := sheet.Block{Title: fmt.Sprintf("%s: %s", k.title, fixity.Number(count[k.verb]))}
		if n := files[k.verb]; n > 0 { // an event may be about many files
			b.Title = fmt.Sprintf("%s: %s, by %s", k.title, fixity.Count(n, "file"), fixity.Count(count[k.verb], "act"))
		}
		lines := done[k.verb]
		slices.Reverse(lines)
		b.List = lines
		if more := count[k.verb] - int64(len(lines)); more > 0 {
			b.Lines = []string{fmt.Sprintf("The last %d of them; %s more were earlier.", len(lines), fixity.Number(more))}
		}
		s.Blocks = append(s.Blocks, b)
	}
	if len(s.Blocks) == 1 {
		s.Blocks = append(s.Blocks, sheet.Block{Lines: []string{"Nothing was recorded in this time."}})
	}
	w := sheet.Block{Title: "Waits"}
	for _, x := range waits {
		w.Facts = append(w.Facts, [2]string{x.What, x.Words})
	}
	if len(waits) == 0 {
		w.Lines = []string{"Nothing that the ledger knows of."}
	}
	s.Blocks = append(s.Blocks, w, sheet.Block{Title: "To know for the next shift", Lines: []string{"____________________________________________________________", "____________________________________________________________"}})
	return s, nil
}

// eventLine is an event in one line: when, what about, by whom, and why.
func eventLine(t *ledger.Tx, e ledger.Event) (string, error) {
	s := e.At.Local().Format("15:04")
	if e.File != 0 {
		f, err := t.Files.Get(e.File)
		if err != nil {
			return "", err
		}
		s += " " + f.Set + "/" + report.Show(f.Path)
	}
	data := e.Told()
	if n, ok := data["files"].(float64); ok && e.File == 0 {
		s += " " + fixity.Count(int64(n), "file")
	}
	for _, key := range []string{"source", "folder", "disc"} {
		if text, ok := data[key].(string); ok && text != "" {
			s += ", " + key + " " + report.Show(text)
		}
	}
	if e.Finding != 0 {
		s += fmt.Sprintf(", finding %d", e.Finding)
	}
	if e.Store != "" {
		s += ", " + e.Store
	}
	if s += ", by " + report.Deciders(e); e.Reason != "" {
		s += ": " + e.Reason
	}
	return s, nil
}
