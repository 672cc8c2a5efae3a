package workbook

import (
	"bytes"
	"context"
	"errors"
	"io"
	"strconv"
	"strings"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/register"
	"firmus/fixity/expr"
)

// ods is a spreadsheet of ISO/IEC 26300 (OpenDocument).
type ods struct {
	archive
	// durations are the styles of cells whose hours go on beyond a day: a length, and no
	// time of day. Their names are those of content.xml and of styles.xml.
	durations map[string]bool
}

func openODS(a archive) (register.Book, error) {
	locked := false
	if err := a.read(a.ctx, "META-INF/manifest.xml", func(s *scanner) error {
		return s.each(func() error {
			locked = locked || s.name == "encryption-data"
			return nil
		})
	}); err != nil {
		return register.Book{}, err
	}
	if locked {
		return register.Book{}, unreadable(register.Locked, "the ODS spreadsheet has a password, which Firmus can't open. Save it without one, or as XLSX with a password")
	}
	o := &ods{a, map[string]bool{}}
	data, style := map[string]bool{}, map[string]string{} // formats that are lengths; the format of each style
	hidden, isHidden := map[string]bool{}, ""             // styles of tables; the one that is read
	var b register.Book
	sheet := false
	names, err := o.tables()
	if err != nil {
		return register.Book{}, err
	}
	for _, part := range []string{"styles.xml", "content.xml"} {
		if err := a.read(a.ctx, part, func(s *scanner) error {
			return s.each(func() error {
				switch s.name {
				case "time-style":
					data[s.is("name")] = s.is("truncate-on-overflow") == "false"
				case "style":
					if isHidden = ""; s.is("family") == "table-cell" {
						style[s.is("name")] = s.is("data-style-name")
					} else if s.is("family") == "table" {
						isHidden = s.is("name")
					}
				case "table-properties":
					hidden[isHidden] = s.is("display") == "false"
				case "spreadsheet":
					sheet = true
				case "table":
					return errStop // its lines are read when they are asked for
				}
				return nil
			})
		}); err != nil && !errors.Is(err, errStop) {
			return register.Book{}, err
		}
		for name, format := range style {
			o.durations[name] = data[format]
		}
	}
	if !sheet {
		return none("this is an office document, but no spreadsheet. Name the spreadsheet itself")
	}
	for _, n := range names {
		b.Sheets = append(b.Sheets, register.Sheet{Name: n.name, Hidden: hidden[n.style],
			Lines: func(ctx context.Context, each func(register.Line) error) (register.Found, error) {
				r := tableReader{o: o, ctx: ctx, each: each, table: n.name}
				err := a.read(ctx, "content.xml", r.read)
				return r.found, err
			}})
	}
	return b, nil
}

// table is a table by its first tag.
type table struct{ name, style string }

// tables finds the tables without reading what is in them, which takes a tenth of the time:
// only their first tags are looked for. Names are unique in a spreadsheet.
func (o *ods) tables() ([]table, error) {
	in, err := o.parts["content.xml"].Open()
	if err != nil {
		return nil, err
	}
	defer in.Close()
	from := &breaks{o.ctx, in}
	var out []table
	sign := []byte("<table:table ")
	buf, n := make([]byte, 1<<16), 0
	for {
		got, err := io.ReadFull(from, buf[n:])
		ended := errors.Is(err, io.EOF) || errors.Is(err, io.ErrUnexpectedEOF)
		if err != nil && !ended {
			return nil, err
		}
		n += got
		at := 0
		for {
			i := bytes.Index(buf[at:n], sign)
			if i < 0 {
				at = max(at, n-len(sign)) // a tag may begin at the end
				break
			}
			at += i
			end := bytes.IndexByte(buf[at:n], '>')
			if end < 0 {
				break
			}
			s := newScanner(bytes.NewReader(buf[at : at+end+1]))
			if t, err := s.next(); err == nil && t == opened {
				out = append(out, table{s.is("name"), s.is("style-name")})
			}
			if at += end; len(out) > 10_000 {
				return nil, unreadable(register.TooLarge, "the file has more than 10,000 sheets")
			}
		}
		if ended {
			return out, nil
		}
		if at == 0 && n == len(buf) {
			return nil, unreadable(register.Damaged, damaged, errors.New("the first tag of a sheet has no end"))
		}
		n = copy(buf, buf[at:n])
	}
}

// tableReader reads the lines of one table.
type tableReader struct {
	o       *ods
	ctx     context.Context
	each    func(register.Line) error
	table   string // its name
	found   register.Found
	line    int // that was read last
	cells   int
	bytes   int      // of texts
	columns []string // default style of each column
	row     []register.Cell
}

func (r *tableReader) read(s *scanner) error {
	return s.each(func() error {
		// Below document-content, body and spreadsheet: others lie within a cell or a drawing.
		if s.name != "table" || s.depth() != 4 || s.is("name") != r.table {
			return nil
		}
		return s.in(func(t token) error {
			if t != opened {
				return nil
			}
			switch s.name {
			case "table-column":
				for range repeats(s, "number-columns-repeated", mostInLine) {
					if len(r.columns) < mostInLine {
						r.columns = append(r.columns, s.is("default-cell-style-name"))
					}
				}
			case "table-row":
				return r.readRow(s)
			case "shapes", "forms":
				return s.skip()
			}
			return nil
		})
	})
}

// repeats is how often an element stands for itself, never more than most.
func repeats(s *scanner, name string, most int) int {
	n, err := strconv.Atoi(s.is(name))
	if err != nil || n < 1 {
		return 1
	}
	return min(n, most)
}

func (r *tableReader) readRow(s *scanner) error {
	if context.Cause(r.ctx) != nil {
		return gave{context.Cause(r.ctx)}
	}
	times := repeats(s, "number-rows-repeated", mostLines)
	hidden := s.is("visibility") == "collapse" || s.is("visibility") == "filter"
	r.row = r.row[:0]
	column := 0
	err := s.in(func(t token) error {
		if t != opened || s.name != "table-cell" && s.name != "covered-table-cell" {
			return nil
		}
		n := repeats(s, "number-columns-repeated", mostInLine)
		if column+n > mostInLine {
			n = mostInLine - column
		}
		if n <= 0 {
			return s.skip()
		}
		rows, cols := repeats(s, "number-rows-spanned", mostLines), repeats(s, "number-columns-spanned", mostInLine)
		covered := s.name == "covered-table-cell"
		c, err := r.cell(s, column)
		if err != nil {
			return err
		}
		if rows > 1 && !covered {
			if len(r.found.Merged) == mostMerged {
				return unreadable(register.TooLarge, "the sheet has more than %d blocks of merged cells", mostMerged)
			}
			r.found.Merged = append(r.found.Merged, register.Merge{Line: r.line + 1, LastLine: r.line + rows, Column: column, LastColumn: column + cols - 1})
		}
		// What lies under merged cells isn't seen.
		if c != (register.Cell{}) && !covered {
			if r.cells += n * times; r.cells > mostCells {
				return unreadable(register.TooLarge, "the sheet has more than %d cells", mostCells)
			}
			if r.bytes += n * times * len(c.Text); r.bytes > mostText {
				return unreadable(register.TooLarge, "the texts of its cells come to more than %d MiB", mostText>>20)
			}
			for len(r.row) < column {
				r.row = append(r.row, register.Cell{})
			}
			for range n {
				r.row = append(r.row, c)
			}
		}
		column += n
		return nil
	})
	if err != nil {
		return err
	}
	if len(r.row) == 0 {
		r.line += times
		return nil
	}
	for range times {
		if r.line++; r.line > mostLines {
			return unreadable(register.TooLarge, "the sheet has more than %d rows", mostLines)
		}
		if err := hand(r.each, register.Line{Number: r.line, Hidden: hidden, Cells: r.row}); err != nil {
			return err
		}
	}
	return nil
}

// rounded are texts that a program showed in place of a number that was too wide.
var rounded = expr.Once(`^-?\d([.,]\d+)?E[+-]?\d+$|^#+$`)

// cell reads the cell that just began.
func (r *tableReader) cell(s *scanner, column int) (register.Cell, error) {
	kind, style := "", s.is("style-name")
	if style == "" && column < len(r.columns) {
		style = r.columns[column]
	}
	isError := false
	for _, a := range s.attr { // office:value-type, and the program's own calcext:value-type
		if a.Name.Local == "value-type" {
			if a.Value == "error" {
				isError = true
			} else if kind == "" {
				kind = a.Value
			}
		}
	}
	value, date, length, truth, formula := s.is("value"), s.is("date-value"), s.is("time-value"), s.is("boolean-value"), s.has("formula")
	given, hasText := "", s.has("string-value")
	if hasText {
		given = s.is("string-value")
	}
	shown, err := r.text(s)
	var u *register.Unreadable
	if errors.As(err, &u) {
		u.Row, u.Column = r.line+1, register.Letters(column)
	}
	if err != nil {
		return register.Cell{}, err
	}
	where := func() string { return register.Letters(column) + strconv.Itoa(r.line+1) }
	switch {
	case isError:
		return register.Cell{Text: shown, Kind: register.ErrorCell}, nil
	case kind == "" && formula && shown == "":
		return register.Cell{Kind: register.UnsavedCell}, nil
	}
	switch kind {
	case "float", "percentage", "currency":
		v, err := number(value)
		if err != nil {
			return register.Cell{}, errors.New("cell " + where() + " holds no number where one should be")
		}
		c := format{kind: register.NumberCell}.cell(value, v, false)
		if shown != "" && !rounded().MatchString(shown) {
			c.Text = shown
		}
		return c, nil
	case "date":
		if len(date) > 64 {
			return register.Cell{}, errors.New("cell " + where() + " holds no day where one should be")
		}
		return register.Cell{Text: strings.TrimSuffix(date, "T00:00:00"), Kind: register.DateCell}, nil
	case "time":
		v, ok := iso(length)
		if !ok {
			return register.Cell{}, errors.New("cell " + where() + " holds no time where one should be")
		}
		c := register.Cell{Text: clock(v), Number: v, IsNumber: true, Kind: register.ClockCell}
		if r.o.durations[style] {
			c.Kind = register.DurationCell
		}
		return c, nil
	case "boolean":
		return register.Cell{Text: strings.ToUpper(truth), Kind: register.TextCell}, nil
	}
	if shown == "" && hasText {
		shown = given
	}
	if shown == "" {
		return register.Cell{}, nil
	}
	if utf8.RuneCountInString(shown) > mostCell {
		return register.Cell{}, &register.Unreadable{Why: register.TooLarge, Row: r.line + 1, Column: register.Letters(column), Text: "the cell holds more than 32,767 characters"}
	}
	return register.Cell{Text: shown, Kind: register.TextCell}, nil
}

// text is what a cell shows, without the remarks that hang on it.
func (r *tableReader) text(s *scanner) (string, error) {
	var b strings.Builder
	depth, lines := s.depth(), 0
	inside := 0 // depth of paragraphs
	add := func(text string) error {
		b.WriteString(text)
		if b.Len() > mostNode {
			return errNode
		}
		return nil
	}
	err := s.in(func(t token) error {
		switch {
		case t == words && inside > 0:
			return add(string(s.text))
		case t == closed && s.name == "p":
			inside--
		case t != opened:
		case s.name == "annotation":
			r.found.Comments++
			return s.skip()
		case s.name == "p":
			if s.depth() != depth+1 && inside == 0 {
				return s.skip() // of a drawing, or of a table within the cell
			}
			if inside++; inside == 1 {
				if lines++; lines > 1 {
					return add("\n")
				}
			}
		case s.name == "s":
			return add(strings.Repeat(" ", repeats(s, "c", mostCell)))
		case s.name == "tab":
			return add("\t")
		case s.name == "line-break":
			return add("\n")
		}
		return nil
	})
	return b.String(), err
}

var lengthForm = expr.Once(`^(-?)P(?:(\d{1,6})D)?(?:T(?:(\d{1,9})H)?(?:(\d{1,9})M)?(?:(\d{1,9}(?:[.,]\d+)?)S)?)?$`)

// iso reads a length of ISO 8601 as seconds, to the millisecond.
func iso(s string) (float64, bool) {
	m := lengthForm().FindStringSubmatch(s)
	if m == nil {
		return 0, false
	}
	total := 0.0
	for i, unit := range []float64{86400, 3600, 60, 1} {
		if m[2+i] == "" {
			continue
		}
		v, err := strconv.ParseFloat(strings.ReplaceAll(m[2+i], ",", "."), 64)
		if err != nil {
			return 0, false
		}
		total += v * unit
	}
	if total = float64(int64(total*1000+0.5)) / 1000; m[1] == "-" {
		total = -total
	}
	return total, true
}
