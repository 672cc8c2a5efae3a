package main

import (
	"encoding/csv"
	"fmt"
	"strconv"
	"strings"
	"text/tabwriter"

	"github.com/spf13/cobra"

	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
)

func (c *command) discLabelsCommand() *cobra.Command {
	var as, box string
	var restricted bool
	cmd := &cobra.Command{
		Use:   "labels [NUMBER…]",
		Short: "A line for each disc and side, for a program that prints labels",
		Long: `Writes a line for each disc and each side on it, for a program that prints labels. Title,
composer, performers, date, barcode and length are the register's own words, so nothing is
typed again. What the register doesn't say stays blank. "length" is that of the files on the
disc, "register_length" stands in the register.

The words of restricted recordings are left out; --restricted puts them in. Stick no label on
a disc: labels are for the case.`,
		Args: cobra.ArbitraryArgs,
	}
	fl := cmd.Flags()
	fl.StringVar(&as, "as", "csv", "`csv|text|json`: the form")
	fl.StringVar(&box, "box", "", "only discs in this `BOX`")
	fl.BoolVar(&restricted, "restricted", false, "also the titles and performers of restricted recordings")
	cmd.RunE = func(cmd *cobra.Command, args []string) error {
		a, err := c.open(cmd.Context(), true)
		if err != nil {
			return err
		}
		defer a.Close()
		all, err := a.Discs.Labels(cmd.Context(), args, box, restricted)
		if err != nil {
			return err
		}
		left := map[registering.Without]int{}
		for _, l := range all {
			if l.Item != "" {
				left[l.Without]++
			}
		}
		if n := left[registering.Restricted]; n > 0 {
			c.say("%s without the register's words: the recording is restricted. --restricted puts them in", fixity.Counted(n, "label", "is", "are"))
		}
		if n := left[registering.Ambiguous]; n > 0 {
			c.say("%s without the register's words: several reels in the register have the same number", fixity.Counted(n, "label", "is", "are"))
		}
		if c.json {
			as = "json"
		}
		rows := labelRows(all)
		return c.statement(as, labelsJSON(rows), form{"csv", func() error { return csv.NewWriter(c.out).WriteAll(sheet.CSVCells(rows)) }}, form{"text", func() error { return c.labelsText(rows) }})
	}
	return cmd
}

// labelHeads are the columns of the list of labels.
var labelHeads = []string{"disc", "copy", "part", "parts", "box", "kind", "number", "side", "title", "composer", "performers", "recorded", "length", "register_length", "barcode", "files", "burned", "note"}

func labelRows(all []registering.Label) [][]string {
	rows := [][]string{labelHeads}
	number := func(n int) string {
		if n == 0 {
			return ""
		}
		return strconv.Itoa(n)
	}
	for _, l := range all {
		note := string(l.Without)
		if l.Item == "" {
			note = ""
		}
		rows = append(rows, []string{l.Disc, l.Twin, number(l.Part), number(l.Parts), l.Box, l.Kind, l.Item, l.Side, l.Title, l.Composer, l.Performers, l.Recorded,
			report.Clock(l.Lasts), l.Length, l.Barcode, number(l.Files), l.Burned, note})
	}
	return rows
}

// labelsJSON are the labels by the names of their columns; what isn't known is "".
func labelsJSON(rows [][]string) any {
	out := []map[string]string{}
	for _, r := range rows[1:] {
		x := map[string]string{}
		for i, h := range labelHeads {
			x[h] = r[i]
		}
		out = append(out, x)
	}
	return map[string]any{"labels": out}
}

// labelsText is the list for a look at it: of each label what isn't blank.
func (c *command) labelsText(rows [][]string) error {
	w := tabwriter.NewWriter(c.out, 0, 0, 2, ' ', 0)
	for i, r := range rows[1:] {
		if i > 0 {
			fmt.Fprintln(w)
		}
		for k, h := range labelHeads {
			if r[k] != "" {
				fmt.Fprintf(w, "%s\t%s\n", strings.ReplaceAll(h, "_", " "), report.Show(r[k]))
			}
		}
	}
	return w.Flush()
}
