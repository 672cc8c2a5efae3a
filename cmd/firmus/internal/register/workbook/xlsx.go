package workbook

import (
	"context"
	"errors"
	"path"
	"strconv"
	"strings"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/register"
)

// xlsx is a workbook of ECMA-376.
type xlsx struct {
	archive
	shared   []string
	formats  []format // by the number of a cell's style
	from1904 bool
}

// relation is a part that another one names.
type relation struct{ kind, target string }

// relations are the parts that one names, by id.
func (a archive) relations(of string) (map[string]relation, error) {
	out := map[string]relation{}
	dir, name := path.Split(of)
	err := a.read(a.ctx, dir+"_rels/"+name+".rels", func(s *scanner) error {
		return s.each(func() error {
			if s.name != "Relationship" || s.is("TargetMode") == "External" {
				return nil
			}
			target := s.is("Target")
			if strings.HasPrefix(target, "/") {
				target = target[1:]
			} else {
				target = path.Join(dir, target)
			}
			kind := s.is("Type")
			out[s.is("Id")] = relation{kind[strings.LastIndexByte(kind, '/')+1:], target}
			return nil
		})
	})
	return out, err
}

func openXLSX(a archive) (register.Book, error) {
	top, err := a.relations("")
	if err != nil {
		return register.Book{}, err
	}
	main := ""
	for _, r := range top {
		if r.kind == "officeDocument" {
			main = r.target
		}
	}
	if a.parts[main] == nil {
		return register.Book{}, unreadable(register.Damaged, damaged, errors.New("it has no workbook"))
	}
	rels, err := a.relations(main)
	if err != nil {
		return register.Book{}, err
	}
	x := &xlsx{archive: a}
	type sheet struct{ name, part, hidden string }
	var sheets []sheet
	isBook := false
	if err := a.read(a.ctx, main, func(s *scanner) error {
		return s.each(func() error {
			switch s.name {
			case "workbook":
				isBook = true
			case "extLst": // of other schemas, whose names are the same
				return s.skip()
			case "workbookPr":
				v := s.is("date1904")
				x.from1904 = v == "1" || v == "true" || v == "on"
			case "sheet":
				id := ""
				for _, at := range s.attr { // r:id, beside sheetId
					if at.Name.Local == "id" {
						id = at.Value
					}
				}
				if r := rels[id]; r.kind == "worksheet" || r.kind == "" {
					sheets = append(sheets, sheet{s.is("name"), r.target, s.is("state")})
				}
			}
			return nil
		})
	}); err != nil {
		return register.Book{}, err
	}
	if !isBook {
		return none("this is an office document, but no spreadsheet. Name the spreadsheet itself")
	}
	for _, r := range rels {
		switch r.kind {
		case "sharedStrings":
			err = a.read(a.ctx, r.target, x.readShared)
		case "styles":
			err = a.read(a.ctx, r.target, x.readStyles)
		}
		if err != nil {
			return register.Book{}, err
		}
	}
	var b register.Book
	for _, s := range sheets {
		if a.parts[s.part] == nil {
			return register.Book{}, unreadable(register.Damaged, damaged, errors.New("the sheet "+strconv.Quote(s.name)+" isn't in it"))
		}
		comments, err := x.comments(s.part)
		if err != nil {
			return register.Book{}, err
		}
		b.Sheets = append(b.Sheets, register.Sheet{Name: s.name, Hidden: s.hidden != "" && s.hidden != "visible",
			Lines: func(ctx context.Context, each func(register.Line) error) (register.Found, error) {
				l := sheetReader{x: x, ctx: ctx, each: each}
				l.found.Comments = comments
				err := a.read(ctx, s.part, l.read)
				return l.found, err
			}})
	}
	return b, nil
}

// comments counts the remarks on a sheet's cells.
func (x *xlsx) comments(part string) (n int, err error) {
	rels, err := x.relations(part)
	if err != nil {
		return 0, err
	}
	for _, r := range rels {
		if r.kind != "comments" {
			continue
		}
		if err := x.read(x.ctx, r.target, func(s *scanner) error {
			return s.each(func() error {
				if s.name == "comment" {
					n++
				}
				return nil
			})
		}); err != nil {
			return 0, err
		}
	}
	return n, nil
}

// readShared reads the texts that cells name by number.
func (x *xlsx) readShared(s *scanner) error {
	size := 0
	return s.each(func() error {
		if s.name != "si" {
			return nil
		}
		text, err := s.rich()
		if err != nil {
			return err
		}
		if size += len(text) + 16; size > mostText {
			return unreadable(register.TooLarge, "the texts of its cells come to more than %d MiB", mostText>>20)
		}
		x.shared = append(x.shared, text)
		return nil
	})
}

// rich is the text in an element that just began: of its parts, but not of what tells how
// they are pronounced.
func (s *scanner) rich() (string, error) {
	var one string
	var all []byte
	in := 0 // depth of an element <t>
	n := 0
	err := s.in(func(t token) error {
		switch {
		case t == opened && s.name == "rPh":
			return s.skip()
		case t == opened && s.name == "t":
			in++
		case t == closed && s.name == "t":
			in--
		case t == words && in > 0:
			if n++; n == 1 {
				one = string(s.text)
				return nil
			}
			if n == 2 {
				all = append(all, one...)
			}
			if all = append(all, s.text...); len(all) > mostNode {
				return errNode
			}
		}
		return nil
	})
	if n > 1 {
		one = string(all)
	}
	if err == nil && len(one) > mostCell && utf8.RuneCountInString(one) > mostCell {
		err = unreadable(register.TooLarge, "a cell holds more than 32,767 characters, which no spreadsheet program writes")
	}
	return unescape(one), err
}

// unescape reads _x000D_ and its like: characters that programs don't write as they are.
func unescape(s string) string {
	if !strings.Contains(s, "_x") {
		return s
	}
	var b strings.Builder
	for {
		i := strings.Index(s, "_x")
		if i < 0 || len(s) < i+7 {
			break
		}
		v, err := strconv.ParseUint(s[i+2:i+6], 16, 16)
		if err != nil || s[i+6] != '_' || v < ' ' && v != '\t' && v != '\n' && v != '\r' {
			b.WriteString(s[:i+2])
			s = s[i+2:]
			continue
		}
		b.WriteString(s[:i])
		if v != '\r' { // the end of a line is written behind it
			b.WriteRune(rune(v))
		}
		s = s[i+7:]
	}
	b.WriteString(s)
	return b.String()
}

// readStyles reads which number format each style has.
func (x *xlsx) readStyles(s *scanner) error {
	own := map[int]format{}
	in := "" // cellXfs: those that cells name
	for {
		t, err := s.next()
		if err != nil || t == over {
			return err
		}
		switch {
		case s.name == "cellXfs" || s.name == "numFmts":
			if in = ""; t == opened {
				in = s.name
			}
		case t == opened && s.name == "numFmt" && in == "numFmts":
			if id, err := strconv.Atoi(s.is("numFmtId")); err == nil && len(own) < 100_000 {
				own[id] = custom(s.is("formatCode"))
			}
		case t == opened && s.name == "xf" && in == "cellXfs":
			id, _ := strconv.Atoi(s.is("numFmtId"))
			f, ok := own[id]
			if !ok {
				f = builtIn(id)
			}
			if x.formats = append(x.formats, f); len(x.formats) > 1_000_000 {
				return errNode
			}
		}
	}
}

// sheetReader reads a sheet's lines.
type sheetReader struct {
	x     *xlsx
	ctx   context.Context
	each  func(register.Line) error
	found register.Found
	line  register.Line
	cells int
	text  int // bytes
	last  int // line
}

func (r *sheetReader) read(s *scanner) error {
	data := false
	err := s.each(func() error {
		switch s.name {
		case "extLst": // of other schemas, whose names are the same
			return s.skip()
		case "sheetData":
			data = true
			return s.in(func(t token) error {
				if t == opened && s.name == "row" {
					return r.row(s)
				}
				return nil
			})
		case "mergeCell":
			return r.merge(s.is("ref"))
		}
		return nil
	})
	if err == nil && !data {
		err = errors.New("it holds no cells")
	}
	return err
}

func (r *sheetReader) merge(ref string) error {
	first, last, ok := strings.Cut(ref, ":")
	if !ok {
		return nil // a block of one
	}
	c1, l1, ok1 := place(first)
	c2, l2, ok2 := place(last)
	if !ok1 || !ok2 || c2 < c1 || l2 < l1 {
		return errors.New("merged cells " + strconv.Quote(ref) + " are nowhere")
	}
	if len(r.found.Merged) == mostMerged {
		return unreadable(register.TooLarge, "the sheet has more than %d blocks of merged cells", mostMerged)
	}
	r.found.Merged = append(r.found.Merged, register.Merge{Line: l1, LastLine: l2, Column: c1, LastColumn: c2})
	return nil
}

// place reads the name of a cell, such as AB12: the column counts from 0.
func place(ref string) (column, line int, ok bool) {
	i := 0
	for i < len(ref) && (ref[i] >= 'A' && ref[i] <= 'Z' || ref[i] == '$') {
		if ref[i] != '$' {
			column = column*26 + int(ref[i]-'A') + 1
		}
		if i++; column > mostInLine {
			return 0, 0, false
		}
	}
	digits := ref[i:]
	if column == 0 || digits == "" || len(digits) > 7 {
		return 0, 0, false
	}
	for _, d := range []byte(digits) {
		if d < '0' || d > '9' {
			return 0, 0, false
		}
		line = line*10 + int(d-'0')
	}
	return column - 1, line, line >= 1 && line <= mostLines
}

func (r *sheetReader) row(s *scanner) error {
	if r.last%1000 == 0 && context.Cause(r.ctx) != nil {
		return gave{context.Cause(r.ctx)}
	}
	n := r.last + 1
	if own := s.is("r"); own != "" {
		var err error
		if n, err = strconv.Atoi(own); err != nil || n <= r.last || n > mostLines {
			return errors.New("row " + strconv.Quote(own) + " follows row " + strconv.Itoa(r.last))
		}
	}
	r.last = n
	hidden := s.is("hidden")
	r.line = register.Line{Number: n, Hidden: hidden == "1" || hidden == "true", Cells: r.line.Cells[:0]}
	some := false
	column := -1
	err := s.in(func(t token) error {
		if t != opened || s.name != "c" {
			return nil
		}
		column++
		if ref := s.is("r"); ref != "" {
			c, l, ok := place(ref)
			if !ok || l != n || c < column {
				return errors.New("cell " + strconv.Quote(ref) + " stands in row " + strconv.Itoa(n))
			}
			column = c
		}
		c, err := r.cell(s, column)
		if err != nil || c == (register.Cell{}) {
			return err
		}
		if r.cells++; r.cells > mostCells {
			return unreadable(register.TooLarge, "the sheet has more than %d cells", mostCells)
		}
		if r.text += len(c.Text); r.text > mostText {
			return unreadable(register.TooLarge, "the texts of its cells come to more than %d MiB", mostText>>20)
		}
		if column >= mostInLine {
			return errors.New("a row goes on beyond the last column")
		}
		for len(r.line.Cells) < column {
			r.line.Cells = append(r.line.Cells, register.Cell{})
		}
		r.line.Cells = append(r.line.Cells, c)
		some = true
		return nil
	})
	if err != nil || !some {
		return err
	}
	return hand(r.each, r.line)
}

// cell reads the cell that just began.
func (r *sheetReader) cell(s *scanner, column int) (register.Cell, error) {
	kind := s.is("t")
	style, _ := strconv.Atoi(s.is("s"))
	var raw string
	var formula, value bool
	depth := s.depth()
	err := s.in(func(t token) error {
		switch {
		case t == opened && s.depth() == depth+1 && s.name == "f":
			formula = true
			return s.skip()
		case t == opened && s.depth() == depth+1 && s.name == "v":
			value = true
			return s.in(func(t token) error {
				if t == words {
					if raw += string(s.text); len(raw) > mostNode {
						return errNode
					}
				}
				return nil
			})
		case t == opened && s.depth() == depth+1 && s.name == "is":
			value = true
			var err error
			raw, err = s.rich()
			return err
		}
		return nil
	})
	at := func(err error) error {
		var u *register.Unreadable
		if errors.As(err, &u) {
			u.Row, u.Column = r.last, register.Letters(column)
		}
		return err
	}
	if err != nil {
		return register.Cell{}, at(err)
	}
	if formula && !value {
		return register.Cell{Kind: register.UnsavedCell}, nil
	}
	text := func(s string) register.Cell {
		if s == "" {
			return register.Cell{}
		}
		return register.Cell{Text: s, Kind: register.TextCell}
	}
	switch kind {
	case "s":
		i, err := strconv.Atoi(strings.TrimSpace(raw))
		if err != nil || i < 0 || i >= len(r.x.shared) {
			if raw == "" {
				return register.Cell{}, nil
			}
			return register.Cell{}, errors.New("cell " + register.Letters(column) + strconv.Itoa(r.last) + " names a text that isn't there")
		}
		return text(r.x.shared[i]), nil
	case "inlineStr":
		return text(raw), nil
	case "str":
		if len(raw) > mostCell && utf8.RuneCountInString(raw) > mostCell {
			return register.Cell{}, at(unreadable(register.TooLarge, "the cell holds more than 32,767 characters"))
		}
		return text(unescape(raw)), nil
	case "b":
		if strings.TrimSpace(raw) == "1" {
			return text("TRUE"), nil
		}
		return text(map[bool]string{true: "FALSE"}[raw != ""]), nil
	case "e":
		return register.Cell{Text: raw, Kind: register.ErrorCell}, nil
	case "d":
		if len(raw) > 64 {
			return register.Cell{}, errors.New("a day of more than 64 characters")
		}
		return register.Cell{Text: strings.TrimSuffix(raw, "T00:00:00"), Kind: register.DateCell}, nil
	}
	if raw = strings.TrimSpace(raw); raw == "" {
		return register.Cell{}, nil
	}
	v, err := number(raw)
	if err != nil {
		return register.Cell{}, errors.New("cell " + register.Letters(column) + strconv.Itoa(r.last) + " holds " + strconv.Quote(raw[:min(len(raw), 40)]) + " where a number should be")
	}
	f := format{kind: register.NumberCell}
	if style >= 0 && style < len(r.x.formats) {
		f = r.x.formats[style]
	}
	return f.cell(raw, v, r.x.from1904), nil
}
