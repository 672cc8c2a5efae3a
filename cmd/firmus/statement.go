package main

import (
	"fmt"
	"io"
	"os"
	"strings"

	"github.com/spf13/pflag"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/guarded"
	"firmus/cmd/firmus/internal/sheet"
)

// stated is a statement in all its forms.
type stated interface {
	Text(io.Writer) error
	HTML(io.Writer) error
	Grids() []sheet.Grid // the first is what CSV is made of
}

// asked is in which form a statement is asked for.
type asked struct{ as, table, out string }

func (f *asked) flags(fl *pflag.FlagSet) {
	fl.StringVar(&f.as, "as", "text", "`text|html|csv|xlsx|json`: the form; html is a page to print, xlsx a workbook with all tables")
	fl.StringVar(&f.table, "table", "", "which `TABLE` csv has; a wrong name lists them")
	fl.StringVar(&f.out, "out", "", "write it into this `FILE`")
}

// forms are the statement's, by name.
var forms = []string{"text", "html", "csv", "xlsx", "json"}

// state prints a statement in the form that was asked for, or writes it into a file; what
// says which it is.
func (c *command) state(a *app.App, what string, f asked, s stated) error {
	if f.as == "text" && c.json {
		f.as = "json"
	}
	var print func(io.Writer) error
	grids := s.Grids()
	switch f.as {
	case "text":
		print = s.Text
	case "html":
		print = s.HTML
	case "csv":
		g, err := tableOf(grids, f.table)
		if err != nil {
			return err
		}
		print = g.CSV
	case "xlsx":
		if to, ok := c.raw.(*os.File); f.out == "" && ok && onTerminal(to) {
			return usageError{fmt.Errorf("a workbook is no text for a terminal: name a file with --out FILE.xlsx")}
		}
		print = func(w io.Writer) error { return sheet.XLSX(w, grids) }
	case "json":
		print = func(w io.Writer) error { return writeJSON(w, s) }
	default:
		return usageError{fmt.Errorf("--as is one of %s, not %q", strings.Join(forms, ", "), f.as)}
	}
	if f.table != "" && f.as != "csv" {
		return usageError{fmt.Errorf("--table goes with --as csv: the other forms have all tables")}
	}
	if f.out != "" {
		if err := guarded.Of(a.Config).Sheet(f.out, f.kind(what), print); err != nil {
			return err
		}
		if c.json {
			c.document(map[string]any{"written": f.out, "exit": 0})
			return nil
		}
		c.say("it is in %s", f.out)
		return nil
	}
	if f.as == "xlsx" {
		return print(c.raw)
	}
	c.printed = c.printed || f.as == "json"
	return print(c.out)
}

// kind is what a file with a statement is, so that another one doesn't take its place.
func (f asked) kind(what string) string {
	kind := what + ", " + f.as
	if f.table != "" {
		kind += ", table " + strings.ToLower(f.table)
	}
	return kind
}

// tableOf is the table with a name; the first without one.
func tableOf(grids []sheet.Grid, name string) (sheet.Grid, error) {
	var names []string
	for _, g := range grids {
		if name == "" || strings.EqualFold(g.Name, name) {
			return g, nil
		}
		names = append(names, fmt.Sprintf("%q", g.Name))
	}
	return sheet.Grid{}, usageError{fmt.Errorf("--table is one of %s, not %q", strings.Join(names, ", "), name)}
}
