package main

import (
	"context"
	"errors"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/acts/reading"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

func (c *command) registerReadCommand() *cobra.Command {
	fewer := false
	cmd := &cobra.Command{
		Use:   "read",
		Short: "Read the register and compare it with the files",
		Long: `Reads the register that the configuration names, keeps what changed in it, and compares
it with the files and discs under care. Findings about it are opened and ended: they are
never urgent, and one finding gathers all rows with one kind of trouble.

If it can't be read, what was read of it last stays in force, and a finding says why. So it
is if nearly all its rows are gone; --fewer says that they are gone on purpose. Firmus never writes to the register. The daemon reads it every night, and when its file
changes.`,
		Args: cobra.NoArgs,
		RunE: func(cmd *cobra.Command, _ []string) error { return c.readRegister(cmd.Context(), fewer) },
	}
	cmd.Flags().BoolVar(&fewer, "fewer", false, "nearly all rows are gone on purpose")
	return cmd
}

// registerReadJSON is a reading as JSON. Field names are stable.
type registerReadJSON struct {
	File       string           `json:"file"`
	Read       bool             `json:"read"`
	Error      string           `json:"error,omitempty"`
	Why        register.Why     `json:"why,omitempty"`
	Version    int64            `json:"version"`  // in force; 0: none
	InForce    *report.Instant  `json:"in_force"` // since when it holds what it holds
	New        bool             `json:"new"`      // it differs from the one before
	Rows       int64            `json:"rows"`
	Matched    int64            `json:"matched"`
	ToTransfer int64            `json:"to_transfer"`
	Added      int64            `json:"added"`
	Deleted    int64            `json:"deleted"`
	Changed    int64            `json:"changed"`
	Moved      int64            `json:"moved"`
	Problems   []problemJSON    `json:"problems"`
	Findings   []report.Finding `json:"findings"`
	Notes      []string         `json:"notes"`
	Exit       int              `json:"exit"`
}

func (c *command) readRegister(ctx context.Context, fewer bool) error {
	a, err := c.open(ctx, false)
	if err != nil {
		return err
	}
	defer a.Close()
	reg := a.Register()
	reg.Fewer = fewer
	r, err := reg.Read(ctx)
	if err != nil {
		return err
	}
	c.exit = exitOfReading(r)
	if c.json {
		out := registerReadJSON{File: a.Register().Source.From, Read: r.Failed == nil, Version: r.Version.N, InForce: report.InstantOf(r.Version.At), New: r.News,
			Rows: r.Reading.Rows, Matched: r.Reading.Matched, ToTransfer: r.Reading.Waiting,
			Problems: problemsJSON(r.Problems), Findings: []report.Finding{}, Notes: append([]string{}, r.Notes...), Exit: c.exit}
		if r.News {
			out.Added, out.Deleted, out.Changed, out.Moved = r.Version.Added, r.Version.Deleted, r.Version.Changed, r.Version.Moved
		}
		if r.Failed != nil {
			out.Error, out.Why = r.Failed.Error(), r.Failed.Why
		}
		for _, f := range r.Findings {
			out.Findings = append(out.Findings, a.Finding(f, false))
		}
		c.document(out)
		return nil
	}
	if r.Failed != nil {
		c.printf("Could not %s\n", r.Failed)
		switch r.Failed.Why {
		case register.Emptied:
			c.printf("If they are gone on purpose: firmus register read --fewer\n")
		case register.HalfWritten:
			c.printf("If you know that it is as it should be, you need not wait: firmus register read --fewer\n")
		}
		if r.Version.N > 0 {
			c.printf("What was read of it %s stays in force: %s.\n", day(r.Reading.ReadAt), fixity.Count(r.Version.Rows, "row"))
		} else {
			c.printf("None was read before.\n")
		}
	} else {
		c.printf("%s read from %s\n", fixity.Count(r.Reading.Rows, "row"), a.Register().Source.From)
		switch {
		case !r.News:
			c.printf("  Nothing has changed since %s.\n", day(r.Version.At))
		case !r.First:
			c.printf("  Since the reading before: %s.\n", report.RegisterChanges(r.Version))
		}
		c.printf("  The files of %s are here; %s to be transferred.\n", fixity.Count(r.Reading.Matched, "row"), fixity.Counted(r.Reading.Waiting, "row", "waits", "wait"))
		for _, n := range r.Notes {
			c.printf("  %s\n", n)
		}
	}
	for _, f := range r.Findings {
		c.printf("  [%d] %s: %s\n", f.ID, report.Heading(f), report.What(f, report.Local))
	}
	if len(r.Findings) > 0 {
		c.printf("  What to do: firmus findings show %d\n", r.Findings[0].ID)
	}
	return nil
}

// exitOfReading is the status of a reading: 3 and 2 where it couldn't be read, 1 where a
// finding is open about it.
func exitOfReading(r reading.Result) int {
	switch {
	case r.Failed != nil && errors.Is(r.Failed, fixity.ErrRefused):
		return 2
	case r.Failed != nil:
		return 3
	case len(r.Findings) > 0:
		return 1
	}
	return 0
}
