// Package preview shows what would be read of a spreadsheet before anything is kept: which
// sheet and columns, what would match, what would not and why, and the lines that the
// configuration needs for it. The command and the page of the setup show the same.
package preview

import (
	"context"
	"errors"
	"fmt"
	"io"
	"maps"
	"strings"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// Order says what is tried.
type Order struct {
	Path string // of the spreadsheet, as it is opened
	Name string // as the configuration is to name it; "": as Path
	// Load reads it, if it is no file of this computer.
	Load     func(context.Context) (workbook.File, error)
	Options  workbook.Options
	Password string // the file that holds it, as the configuration names it
	// Read is how it is to be read; without columns they are proposed.
	Read     register.Order
	Settings register.Settings
	// Known is what it is held against; nil: nothing is known.
	Known *register.Known
	// Configured says that the configuration has it read just so already.
	Configured bool
}

// Preview is what came of it.
type Preview struct {
	Name       string
	Table      register.Table
	Held       register.Result
	Proposed   bool // the columns are a guess from the header
	Configured bool // the configuration has it read just so already
	Guess      register.Proposal
	Compared   bool // with what is known
	Problems   []register.Problem
	Block      string // for the configuration
}

// Make tries a spreadsheet. Where no column could be guessed the error is an
// *register.Unreadable that names the header's words.
func Make(ctx context.Context, o Order) (Preview, error) {
	p := Preview{Name: o.Name, Compared: o.Known != nil}
	if p.Name == "" {
		p.Name = o.Path
	}
	load := o.Load
	if load == nil {
		load = func(ctx context.Context) (workbook.File, error) { return workbook.Load(ctx, o.Path) }
	}
	file, err := load(ctx)
	if err != nil {
		return p, err
	}
	book, err := workbook.Open(ctx, file, o.Options)
	if err != nil {
		return p, err
	}
	if len(book.Sheets) == 0 {
		return p, &register.Unreadable{Why: register.NoSheets, File: file.Name, Text: "the file holds no sheet"}
	}
	if p.Guess, err = register.Propose(ctx, file.Name, book, o.Read.Sheet); err != nil {
		return p, err
	}
	if len(o.Read.Columns) == 0 {
		p.Proposed = true
		if o.Read.Columns = p.Guess.Columns; o.Read.Sheet == "" {
			o.Read.Sheet = p.Guess.Sheet
		}
		if o.Read.Columns[register.Item] == "" {
			return p, noNumber(file.Name, p.Guess)
		}
	}
	if p.Table, err = register.Read(ctx, file.Name, book, o.Read); err != nil {
		return p, err
	}
	known := register.Known{}
	if o.Known != nil {
		known = *o.Known
	}
	o.Settings.Heads = p.Table.Columns
	p.Held = register.Reconcile(p.Table.Rows, known, o.Settings)
	p.Problems = append(p.Problems, p.Table.Problems...)
	if p.Compared {
		p.Problems = append(p.Problems, p.Held.Problems...)
	}
	p.Configured = o.Configured && !p.Proposed
	p.Block = block(o, p.Name, o.Read.Sheet, p.Table.Columns)
	return p, nil
}

// noNumber says that no column was guessed to hold the number of a reel.
func noNumber(file string, g register.Proposal) error {
	u := &register.Unreadable{Why: register.OtherColumns, File: file, Sheet: g.Sheet}
	if len(g.Header) == 0 {
		u.Text = `no line at the top names columns that are known, such as "Number", "Side", "Title" or "Length". Write a line with the names of the columns above the rows, or say below [register] what they are called: columns = { item = "…" }`
		return u
	}
	var words []string
	for _, w := range g.Header {
		if w != "" {
			words = append(words, fmt.Sprintf("%q", w))
		}
	}
	guess := maps.Clone(g.Columns) // the others needn't be looked for by hand
	guess[register.Item] = "…"
	u.Text = fmt.Sprintf("it couldn't be guessed which column holds the number of the reel, among %s. Say it below [register]: %s", strings.Join(words, ", "), mapped(guess))
	return u
}

// Block are the lines of a configuration.
func block(o Order, name, sheet string, columns register.Columns) string {
	var b strings.Builder
	b.WriteString("[register]\nfile = " + quote(name) + "\n")
	if sheet != "" {
		b.WriteString("sheet = " + quote(sheet) + "\n")
	}
	b.WriteString(mapped(columns) + "\n")
	if o.Options.Encoding != "" {
		b.WriteString("encoding = " + quote(o.Options.Encoding) + "\n")
	}
	if o.Password != "" {
		b.WriteString("password_file = " + quote(o.Password) + "\n")
	}
	return b.String()
}

// mapped is the line of a configuration that says which column tells what.
func mapped(columns register.Columns) string {
	var in []string
	for _, f := range register.Fields {
		if w := columns[f]; w != "" {
			in = append(in, Key(f)+" = "+quote(w))
		}
	}
	return "columns = { " + strings.Join(in, ", ") + " }"
}

// Key is what the configuration calls a field.
func Key(f register.Field) string { return strings.ReplaceAll(string(f), " ", "_") }

// FieldOf is the field that the configuration calls so.
func FieldOf(key string) register.Field { return register.Field(strings.ReplaceAll(key, "_", " ")) }

// quote writes a string of TOML; a Windows path stands as people know it.
func quote(s string) string {
	if !strings.ContainsAny(s, `\"`) && !strings.ContainsFunc(s, func(r rune) bool { return r < ' ' || r == 0x7f }) {
		return `"` + s + `"`
	}
	if !strings.ContainsFunc(s, func(r rune) bool { return r == '\'' || r < ' ' || r == 0x7f }) {
		return "'" + s + "'"
	}
	var b strings.Builder
	for _, r := range s {
		switch {
		case r == '\\' || r == '"':
			b.WriteRune('\\')
			b.WriteRune(r)
		case r < ' ' || r == 0x7f:
			fmt.Fprintf(&b, `\u%04X`, r)
		default:
			b.WriteRune(r)
		}
	}
	return `"` + b.String() + `"`
}

// shownProblems is how many problems a text shows.
const shownProblems = 100

// Summary says in sentences what was read.
func (p Preview) Summary() (out []string) {
	say := func(format string, args ...any) { out = append(out, fmt.Sprintf(format, args...)) }
	where := ""
	if p.Table.Sheet != "" {
		where = fmt.Sprintf("Sheet %q: ", p.Table.Sheet)
	}
	say("%s%s below the header in row %d.", where, fixity.Count(len(p.Table.Rows), "row"), p.Table.Header)
	if n := p.Table.Hidden; n > 0 {
		say("%s hidden, by hand or by a filter. Firmus reads hidden rows like others.", fixity.Counted(n, "row", "is", "are"))
	}
	if n := p.Table.Comments; n > 0 {
		say("%s on cells. Firmus doesn't read remarks.", fixity.Counted(n, "remark", "hangs", "hang"))
	}
	out = append(out, p.Table.Notes...)
	if !p.Compared {
		say("Nothing is under care yet, so the rows are compared with nothing.")
		return out
	}
	say("%s under care; %s still to be transferred.", fixity.Counted(p.Held.Matched, "row", "has files", "have files"), fixity.Counted(p.Held.ToTransfer, "row", "is", "are"))
	return out
}

// Columns are the columns that are read, with the field and the header's words.
func (p Preview) Columns() (out [][2]string) {
	for _, f := range register.Fields {
		if w := p.Table.Columns[f]; w != "" {
			out = append(out, [2]string{Key(f), w})
		}
	}
	return out
}

// NotRead are the header's words that nothing is read from.
func (p Preview) NotRead() (out []string) {
	taken := map[string]bool{}
	for _, w := range p.Table.Columns {
		taken[register.Word(w)] = true
	}
	for _, w := range p.Table.Words {
		if w != "" && !taken[register.Word(w)] {
			out = append(out, w)
		}
	}
	return out
}

// Where says where a problem stands.
func Where(p register.Problem) string {
	s := fmt.Sprintf("row %d", p.Row)
	if p.Row == 0 {
		s = "no row"
	}
	if p.Column != "" {
		s += ", " + p.Column
	}
	return s
}

// Lines are the columns, and what isn't read, as lines for a terminal.
func (p Preview) Lines() (out []string) {
	line := func(key, words string) { out = append(out, fmt.Sprintf("%-13s %s", key, report.Show(words))) }
	for _, c := range p.Columns() {
		line(c[0], c[1])
	}
	if rest := p.NotRead(); len(rest) > 0 {
		line("(not read)", strings.Join(rest, ", "))
	}
	return out
}

// Text writes the preview for a terminal.
func (p Preview) Text(w io.Writer) error {
	e := &ensured{w: w}
	e.printf("%s\n\n", p.Name)
	for _, s := range p.Summary() {
		e.printf("  %s\n", s)
	}
	e.printf("\n  Columns%s:\n", map[bool]string{true: ", as Firmus guesses them from the header"}[p.Proposed])
	for _, s := range p.Lines() {
		e.printf("    %s\n", s)
	}
	e.printf("\n")
	if len(p.Problems) == 0 {
		e.printf("  Nothing is wrong with the rows, as far as Firmus can see.\n")
	} else {
		e.printf("  %s:\n", fixity.Count(len(p.Problems), "problem"))
	}
	for i, x := range p.Problems {
		if i == shownProblems {
			e.printf("    and %s more; --json shows all\n", fixity.Number(int64(len(p.Problems)-i)))
			break
		}
		e.printf("    %s: %s\n", Where(x), report.RegisterRow(x.Tells))
	}
	if p.Configured {
		e.printf("\nNothing was kept. The configuration has Firmus read this register so: once a night, and at once by \"firmus register read\".\n")
		return e.err
	}
	e.printf("\nNothing was kept. To have Firmus read this register, write into firmus.toml:\n\n%s", p.Block)
	return e.err
}

// ensured keeps the first error.
type ensured struct {
	w   io.Writer
	err error
}

func (e *ensured) printf(format string, args ...any) {
	if e.err == nil {
		_, e.err = fmt.Fprintf(e.w, format, args...)
	}
}

// Why is the *register.Unreadable that an error is, nil if it is none.
func Why(err error) *register.Unreadable {
	var u *register.Unreadable
	errors.As(err, &u)
	return u
}
