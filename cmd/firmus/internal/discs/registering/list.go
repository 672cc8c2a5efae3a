package registering

import (
	"bytes"
	"context"
	"encoding/base64"
	"encoding/csv"
	"errors"
	"fmt"
	"io"
	"slices"
	"strconv"
	"strings"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// columns are those of the list of discs: a row for each file that was burned, one
// without a file for a disc of which that isn't known. Only number and kind are needed.
var columns = []string{"number", "twin", "part", "kind", "box", "blank", "burned", "label", "control", "file", "file_base64", "version", "name", "sha256", "toc", "baseline"}

// WriteList writes the list of discs so that AddList takes it back: comma-separated
// values as RFC 4180 has them. No cell is a formula to a spreadsheet program.
func (e Desk) WriteList(ctx context.Context, w io.Writer) error {
	ds, err := e.List(ctx)
	if err != nil {
		return err
	}
	c := csv.NewWriter(w)
	rows := [][]string{columns}
	for _, d := range ds {
		part, control := "", ""
		if d.Disc.Part > 0 {
			part = strconv.Itoa(d.Disc.Part)
		}
		if d.Disc.Control {
			control = "yes"
		}
		head := []string{d.Disc.Number, d.Disc.Twin, part, d.Disc.Kind, d.Disc.Box, d.Disc.Blank, d.Disc.Burned, d.Disc.Label, control}
		tail := []string{d.Disc.TOC, base64.StdEncoding.EncodeToString(d.Disc.Baseline)}
		if len(d.Files) == 0 {
			rows = append(rows, slices.Concat(head, []string{"", "", "", "", ""}, tail))
		}
		for _, f := range d.Files {
			ref, exact := f.Set+"/"+f.Path, ""
			if !utf8.ValidString(ref) {
				exact = base64.StdEncoding.EncodeToString([]byte(ref))
				ref = ledger.DisplayPath(ref)
			}
			name := f.Name
			if !utf8.ValidString(name) {
				name = "" // it is told by its bytes
			}
			rows = append(rows, slices.Concat(head, []string{ref, exact, strconv.FormatInt(f.Version, 10), name, f.SHA256.Sum}, tail))
			tail = []string{"", ""} // once a disc
		}
	}
	if err := c.WriteAll(sheet.CSVCells(rows)); err != nil {
		return fmt.Errorf("list of discs: %w", err)
	}
	return nil
}

// csvDisc is one disc of a list, and the row that it begins in.
type csvDisc struct {
	row      int
	order    Order
	files    []csvFile
	toc      string
	baseline []byte
}

type csvFile struct {
	row                        int
	ref, version, name, sha256 string
}

// csvLimit bounds a list of discs: a shelf of ten thousand takes some megabytes.
const csvLimit = 256 << 20

// Added is what AddList did.
type Added struct {
	Added   []ledger.Disc
	Already []ledger.Disc // that were registered
	Notes   []string      // what couldn't be taken over, in sentences
}

// AddList registers the discs of a list, all or none. Those that are registered already
// are left alone. A file is found by its place and the digest of the version burned; one
// that isn't under care refuses the list. A version that isn't known any more (a ledger
// that was rebuilt has no earlier ones) is noted, and the disc is registered without it.
func (e Desk) AddList(ctx context.Context, r io.Reader) (Added, error) {
	var out Added
	discs, err := readDiscs(r)
	if err != nil {
		return out, err
	}
	type made struct {
		d     ledger.Disc
		files []ledger.DiscFile
	}
	var all []made
	for _, x := range discs {
		d, _, _, err := e.discOf(ctx, x.order)
		if err != nil {
			return out, fmt.Errorf("row %d: %w", x.row, err)
		}
		d.TOC, d.Baseline = x.toc, x.baseline
		files, notes, err := e.csvFiles(ctx, d, x.files)
		if err != nil {
			return out, err
		}
		out.Notes = append(out.Notes, notes...)
		all = append(all, made{d, files})
	}
	err = e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := e.NoteShelf(t); err != nil {
			return err
		}
		for _, m := range all {
			same, err := t.Discs.Numbered(m.d.Number)
			if err != nil {
				return err
			}
			if i := slices.IndexFunc(same, func(o ledger.Disc) bool { return o.Twin == m.d.Twin && o.Part == m.d.Part }); i >= 0 {
				out.Already = append(out.Already, same[i])
				continue
			}
			d, err := t.Discs.Add(m.d, m.files, e.By, "from a list of discs")
			if err != nil {
				return err
			}
			out.Added = append(out.Added, d)
		}
		return nil
	})
	if err == nil && len(out.Added) > 0 {
		backups.Of(e.Archive).KeepList(ctx)
	}
	return out, err
}

func (e Desk) csvFiles(ctx context.Context, d ledger.Disc, fs []csvFile) (out []ledger.DiscFile, notes []string, err error) {
	for _, x := range fs {
		found, below, _, _, err := e.burnedAt(ctx, x.ref)
		if err != nil {
			return nil, nil, fmt.Errorf("row %d: %w", x.row, err)
		}
		if len(found) > 1 && (x.sha256 != "" || x.version != "") {
			return nil, nil, fmt.Errorf("row %d: %q is a folder, and has neither version nor digest: %w", x.row, x.ref, fixity.ErrRefused)
		}
		for _, f := range found {
			n := f.Version
			if x.sha256 != "" || x.version != "" {
				if n, err = e.csvVersion(ctx, f, x); err != nil {
					return nil, nil, fmt.Errorf("row %d: %w", x.row, err)
				}
			}
			if n == 0 {
				notes = append(notes, fmt.Sprintf("disc %s: the version of %s/%s that was burned isn't known any more; the disc is registered without it", d.Name(), f.Set, ledger.DisplayPath(f.Path)))
				continue
			}
			name := x.name
			if name == "" {
				name = strings.TrimPrefix(f.Path, below)
			}
			out = append(out, ledger.DiscFile{File: f.ID, Version: n, Name: name})
		}
	}
	return out, notes, nil
}

// csvVersion finds the version of a file that a row means: by its digest if there is
// one, else by its number; 0 if it isn't known.
func (e Desk) csvVersion(ctx context.Context, f ledger.File, x csvFile) (n int64, err error) {
	var typed int64
	if x.version != "" {
		if typed, err = strconv.ParseInt(x.version, 10, 64); err != nil || typed < 1 {
			return 0, fmt.Errorf("version %q is no number: %w", x.version, fixity.ErrRefused)
		}
	}
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		vs, err := t.Files.Versions(f.ID)
		for _, v := range vs {
			if x.sha256 != "" && strings.EqualFold(v.SHA256.Sum, x.sha256) || x.sha256 == "" && v.N == typed {
				n = v.N
			}
		}
		return err
	})
	return n, err
}

// readDiscs reads a list of discs. Cells may be divided by commas or semicolons, as
// spreadsheets do.
func readDiscs(r io.Reader) ([]csvDisc, error) {
	text, err := io.ReadAll(io.LimitReader(r, csvLimit+1))
	if err != nil {
		return nil, fmt.Errorf("list of discs: %w", err)
	}
	if len(text) > csvLimit {
		return nil, fmt.Errorf("list of discs: larger than %d bytes: %w", csvLimit, fixity.ErrRefused)
	}
	text = bytes.TrimPrefix(text, []byte("\ufeff"))
	c := csv.NewReader(bytes.NewReader(text))
	head, _, _ := bytes.Cut(text, []byte("\n"))
	if bytes.Count(head, []byte(";")) > bytes.Count(head, []byte(",")) {
		c.Comma = ';'
	}
	c.FieldsPerRecord = -1
	rows, err := c.ReadAll()
	if err != nil {
		return nil, fmt.Errorf("list of discs: %w: %w", err, fixity.ErrRefused)
	}
	if len(rows) == 0 {
		return nil, fmt.Errorf("list of discs: it is empty; its first row names the columns: %s: %w", strings.Join(columns, ","), fixity.ErrRefused)
	}
	at := map[string]int{}
	for i, h := range rows[0] {
		h = strings.ToLower(strings.TrimSpace(h))
		if h == "" {
			continue
		}
		if !slices.Contains(columns, h) {
			return nil, fmt.Errorf("list of discs: %q is no column; those are %s: %w", h, strings.Join(columns, ","), fixity.ErrRefused)
		}
		at[h] = i
	}
	for _, needed := range []string{"number", "kind"} {
		if _, ok := at[needed]; !ok {
			return nil, fmt.Errorf("list of discs: it has no column %q: %w", needed, fixity.ErrRefused)
		}
	}
	var out []csvDisc
	for i, row := range rows[1:] {
		cell := func(name string) string {
			if k, ok := at[name]; ok && k < len(row) {
				return sheet.CSVCell(strings.TrimSpace(row[k]))
			}
			return ""
		}
		if cell("number") == "" {
			continue
		}
		d, err := discRow(i+2, cell)
		if err != nil {
			return nil, fmt.Errorf("row %d: %w", i+2, err)
		}
		k := slices.IndexFunc(out, func(x csvDisc) bool {
			return x.order.Number == d.order.Number && x.order.Twin == d.order.Twin && x.order.Part == d.order.Part
		})
		if k < 0 {
			out = append(out, d)
			continue
		}
		if out[k].order.Kind != d.order.Kind {
			return nil, fmt.Errorf("row %d: %s is %s here and %s in row %d: %w", i+2, d.order.Number, d.order.Kind, out[k].order.Kind, out[k].row, fixity.ErrRefused)
		}
		out[k].files = append(out[k].files, d.files...)
	}
	return out, nil
}

func discRow(row int, cell func(string) string) (csvDisc, error) {
	d := csvDisc{row: row, toc: cell("toc"), order: Order{Number: cell("number"), Twin: cell("twin"), Kind: strings.ToLower(cell("kind")),
		Box: cell("box"), Blank: cell("blank"), Burned: cell("burned"), Label: cell("label")}}
	switch strings.ToLower(cell("control")) {
	case "", "no", "0", "false":
	case "yes", "1", "true", "x":
		d.order.Control = true
	default:
		return d, fmt.Errorf("control is yes or no, not %q: %w", cell("control"), fixity.ErrRefused)
	}
	var err error
	if p := cell("part"); p != "" {
		if d.order.Part, err = strconv.Atoi(p); err != nil || d.order.Part < 0 {
			return d, fmt.Errorf("part %q is no number: %w", p, fixity.ErrRefused)
		}
	}
	if d.baseline, err = base64.StdEncoding.DecodeString(cell("baseline")); err != nil {
		return d, errors.Join(fmt.Errorf("baseline: %w", err), fixity.ErrRefused)
	}
	if len(d.baseline) == 0 {
		d.baseline = nil
	}
	f := csvFile{row: row, ref: cell("file"), version: cell("version"), name: cell("name"), sha256: cell("sha256")}
	if x := cell("file_base64"); x != "" {
		b, err := base64.StdEncoding.DecodeString(x)
		if err != nil {
			return d, fmt.Errorf("file_base64: %w: %w", err, fixity.ErrRefused)
		}
		f.ref = string(b)
	}
	if f.ref != "" {
		d.files = []csvFile{f}
	}
	return d, nil
}
