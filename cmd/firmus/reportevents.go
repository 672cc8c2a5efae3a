package main

import (
	"bufio"
	"context"
	"encoding/csv"
	"encoding/json"
	"errors"
	"fmt"
	"io"
	"strconv"
	"strings"
	"text/tabwriter"
	"time"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/handover"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

func (c *command) reportEventsCommand() *cobra.Command {
	var as, from, to string
	cmd := &cobra.Command{
		Use:   "events",
		Short: "What the record tells of a time: also as PREMIS 3.0",
		Long: `Prints the events of the record from one day to another, both included; without --from or
--to all. A time such as 2025-11-25T02:00:00Z may stand in the place of a day.

--as premis is PREMIS 3.0: each version of a file that an event is about is an object, who
and what took part are agents. Events that PREMIS has no word for, such as a letter that
left or an account that was added, are left out, and counted on stderr; the other forms
have them all.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			since, err := momentOf("--from", from, false)
			if err != nil {
				return err
			}
			until, err := momentOf("--to", to, true)
			if err != nil {
				return err
			}
			if !until.IsZero() && !since.Before(until) {
				return usageError{fmt.Errorf("--from %s is not before --to %s", from, to)}
			}
			a, err := c.open(cmd.Context(), true)
			if err != nil {
				return err
			}
			defer a.Close()
			return c.reportEvents(cmd.Context(), a, as, since, until)
		},
	}
	fl := cmd.Flags()
	fl.StringVar(&as, "as", "text", "`text|csv|premis|json`: the form")
	fl.StringVar(&from, "from", "", "the first `DAY`, such as 2025-11-25, or a time")
	fl.StringVar(&to, "to", "", "the last `DAY`, or the time before which it ends")
	return cmd
}

// momentOf reads a day, in local time, or a time. The end of a day that is included is the
// beginning of the next one. Zero: none was given.
func momentOf(option, text string, end bool) (time.Time, error) {
	if text == "" {
		return time.Time{}, nil
	}
	if at, err := time.ParseInLocation(time.DateOnly, text, time.Local); err == nil {
		if end {
			at = at.AddDate(0, 0, 1)
		}
		return at, nil
	}
	at, err := time.Parse(time.RFC3339, text)
	if err != nil {
		return at, usageError{fmt.Errorf("%s is a day such as 2025-11-25, or a time such as 2025-11-25T02:00:00Z, not %q", option, text)}
	}
	return at, nil
}

func (c *command) reportEvents(ctx context.Context, a *app.App, as string, since, until time.Time) error {
	if c.json && as == "text" {
		as = "json"
	}
	out := bufio.NewWriter(c.out)
	var err error
	switch as {
	case "premis":
		left := 0
		if _, left, err = handover.Events(ctx, a.Ledger, teller(a, time.Now()), since, until, out); err == nil && left > 0 {
			c.say("left out, because PREMIS has no word for them: %s", fixity.Count(int64(left), "event"))
		}
		c.printed = true
	case "json":
		err = eventsJSON(ctx, a, since, until, out)
		c.printed = true
	case "csv":
		w := csv.NewWriter(out)
		err = eachEvent(ctx, a, since, until, func(e eventLine) error { return w.Write(sheet.CSVCells([][]string{e.cells()})[0]) }, func() error { return w.Write(eventHeads) })
		w.Flush()
		err = errors.Join(err, w.Error())
	case "text":
		w := tabwriter.NewWriter(out, 0, 0, 2, ' ', 0)
		err = eachEvent(ctx, a, since, until, func(e eventLine) error {
			_, err := fmt.Fprintln(w, e.text())
			return err
		}, nil)
		err = errors.Join(err, w.Flush())
	default:
		return usageError{fmt.Errorf("--as is one of text, csv, premis, json, not %q", as)}
	}
	return errors.Join(err, out.Flush())
}

// eventLine is an event as it is printed.
type eventLine struct {
	Seq        int64           `json:"seq"`
	At         *report.Instant `json:"at"`
	Verb       fixity.Verb     `json:"verb"`
	Means      string          `json:"means"`
	By         string          `json:"by"`
	Second     string          `json:"-"` // who confirmed it: in Data, too
	Store      string          `json:"store"`
	Set        string          `json:"set"`
	Path       string          `json:"path"` // "" if it is about no file of its own
	PathBase64 string          `json:"path_base64,omitempty"`
	Finding    int64           `json:"finding,omitempty"`
	Reason     string          `json:"reason"`
	Data       map[string]any  `json:"data,omitempty"`
}

var eventHeads = []string{"seq", "at", "verb", "means", "by", "store", "set", "path", "finding", "reason", "confirmed_by"}

func (e eventLine) cells() []string {
	finding := ""
	if e.Finding != 0 {
		finding = strconv.FormatInt(e.Finding, 10)
	}
	return []string{strconv.FormatInt(e.Seq, 10), e.At.Time.UTC().Format(time.RFC3339), string(e.Verb), e.Means, e.By, e.Store, e.Set, e.Path, finding, e.Reason, e.Second}
}

func (e eventLine) text() string {
	about := e.Store
	switch {
	case e.Path != "":
		about = e.Set + "/" + report.Show(e.Path)
	case e.Finding != 0:
		about = fmt.Sprintf("finding %d", e.Finding)
	}
	what := e.Means
	if e.Reason != "" {
		what += ": " + report.Plainly(e.Reason)
	}
	return fmt.Sprintf("%d\t%s\t%s\t%s\t%s", e.Seq, report.Local(e.At.Time), about, oneLine(report.Both(e.By, e.Second)), oneLine(what))
}

// oneLine keeps what a person typed from looking like columns, or an event, of its own.
func oneLine(s string) string { return strings.Join(strings.Fields(s), " ") }

// eachEvent goes through the events of a time; first is called before the first.
func eachEvent(ctx context.Context, a *app.App, since, until time.Time, each func(eventLine) error, first func() error) error {
	return a.Ledger.View(ctx, func(t *ledger.Tx) error {
		if first != nil {
			if err := first(); err != nil {
				return err
			}
		}
		return t.Log.Between(since, until, nil, func(e ledger.Event) error {
			if ctx.Err() != nil {
				return context.Cause(ctx)
			}
			l := eventLine{Seq: e.Seq, At: report.InstantOf(e.At), Verb: e.Verb, Means: report.Happened(e), By: e.By, Store: e.Store, Set: e.Set, Finding: e.Finding, Reason: e.Reason, Data: e.Told(), Second: report.Second(e)}
			delete(l.Data, "rows") // how the ledger keeps it, not what happened
			if e.File != 0 {
				f, err := t.Files.Get(e.File)
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				l.Path, l.PathBase64 = report.Path(f.Path)
			}
			return each(l)
		})
	})
}

// eventsJSON writes one document as it reads: a year has many events.
func eventsJSON(ctx context.Context, a *app.App, since, until time.Time, out io.Writer) error {
	enc := json.NewEncoder(out)
	enc.SetEscapeHTML(false)
	n := 0
	err := eachEvent(ctx, a, since, until, func(e eventLine) error {
		if n++; n > 1 {
			if _, err := io.WriteString(out, ","); err != nil {
				return err
			}
		}
		return enc.Encode(e)
	}, func() error {
		head, err := json.Marshal(map[string]*report.Instant{"from": report.InstantOf(since), "to": report.InstantOf(until)})
		if err == nil {
			_, err = fmt.Fprintf(out, "%s,\"events\":[\n", head[:len(head)-1])
		}
		return err
	})
	if err != nil {
		return err
	}
	_, err = io.WriteString(out, "]}\n")
	return err
}
