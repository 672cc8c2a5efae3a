package main

import (
	"context"
	"fmt"
	"strings"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/report"
)

func (c *command) discSampleCommand() *cobra.Command {
	var count int
	cmd := &cobra.Command{
		Use:   "sample",
		Short: "Draw the discs that are read this month, by chance",
		Long: `Draws the month's discs by chance, in proportion to the years in which they were burned
and to the brands of their blanks, and lists them in the order of their boxes, with room
for initials. The list stays the same for the month; "firmus disc check --sitting --sample"
works it off. Nothing is drawn twice before all discs were drawn once; twins count as one.

Discs that are on the list for a reason (their store promises an earlier reading, their
twin or a disc of the same brand and month is bad) are said to be so, and left out of the
estimate. Once discs of the list were read, it says how many of all discs are probably bad.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error {
			if cmd.Flags().Changed("count") && count < 1 {
				return usageError{fmt.Errorf("--count %d: at least one disc is drawn", count)}
			}
			return c.sampleDiscs(cmd.Context(), count)
		},
	}
	cmd.Flags().IntVar(&count, "count", 0, "draw `N` discs a month (default 10, or what the stores' promises need)")
	return cmd
}

// pulledJSON is a disc of the month's list, as JSON.
type pulledJSON struct {
	Disc  string          `json:"disc"`
	Twin  string          `json:"twin"`
	Part  int             `json:"part"`
	Box   string          `json:"box"`
	Why   checking.Why    `json:"why"`
	Of    string          `json:"of"` // the bad disc
	Read  *report.Instant `json:"read"`
	Good  bool            `json:"good"` // only if it was read
	Drawn bool            `json:"drawn"`
}

func (c *command) sampleDiscs(ctx context.Context, count int) error {
	a, err := c.open(ctx, true)
	if err != nil {
		return err
	}
	defer a.Close()
	s, err := a.Discs.Draw(ctx, count)
	if err != nil {
		return err
	}
	if c.json {
		ds := []pulledJSON{}
		for _, p := range s.Discs {
			ds = append(ds, pulledJSON{p.Disc.Number, p.Disc.Twin, p.Disc.Part, p.Disc.Box, p.Why, p.Of, report.InstantOf(p.Read), p.Good, p.Why == checking.Drawn})
		}
		var estimate any
		if s.Read > 0 {
			estimate = map[string]any{"sides": s.Sides, "since": report.InstantOf(s.Since), "read": s.Read, "bad": s.Bad, "unread": s.Unread,
				"low": s.Low, "high": s.High, "confidence": checking.Confidence}
		}
		out := map[string]any{"month": s.Month.Format("2006-01"), "discs": ds, "all": s.All, "sides": s.Sides, "count": s.Count, "estimate": estimate}
		if len(s.OneIn) > 0 {
			out["bad_assumed"], out["chance_month"], out["chance_year"] = s.OneIn[0].Bad, s.OneIn[0].Month, s.OneIn[0].Year
		}
		c.document(out)
		return nil
	}
	if s.All == 0 {
		c.printf("No disc is registered: \"firmus disc add\" registers one.\n")
		return nil
	}
	box := "\n"
	c.printf("Discs to read in %s, by box:\n", s.Month.Format("January 2006"))
	for _, p := range s.Discs {
		if b := discs.Box(p.Disc.Box); b != box {
			if box = b; b == "" {
				b = "no box"
			} else {
				b = "box " + b
			}
			c.printf("\n%s:\n", b)
		}
		done := "read ____________ by ______"
		if !p.Read.IsZero() {
			done = "read " + report.Day(p.Read, s.Month.AddDate(0, 1, -1))
			if p.Good {
				done += ": as it should be"
			} else {
				done += ": NOT AS IT SHOULD BE"
			}
		}
		c.printf("%s\n", strings.TrimRight(fmt.Sprintf("  %-16s %-44s %s", p.Disc.Name(), p.Because(), done), " "))
	}
	for _, line := range s.Words() {
		c.printf("\n%s\n", strings.Join(wrapped(line, 96), "\n"))
	}
	return nil
}
