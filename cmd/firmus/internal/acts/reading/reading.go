// Package reading reads the archive's register, keeps it as it was, and holds it against what
// the ledger knows. The register itself is never written to.
package reading

import (
	"cmp"
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Acts are what can be ordered about the register.
type Acts struct {
	*archive.Archive
	Source Source
	// Fewer is a person's word that nearly all rows are gone on purpose.
	Fewer bool
	// Reason is why, where the person said it.
	Reason string
}

// Source is where the register comes from, and how it is read.
type Source struct {
	// From is where it lies, as people know it; "" if none is configured.
	From string
	// Read reads it. The error is a *register.Unreadable, or the context's.
	Read func(ctx context.Context) (register.Table, fixity.Digest, error)
	Sets []string // that it is about; none: all
	// Settings are how it is held against the ledger; the table's columns are put into them.
	Settings register.Settings
}

// Of are the acts of an archive.
func Of(a *archive.Archive, s Source) Acts { return Acts{Archive: a, Source: s} }

// Result is what a reading came to.
type Result struct {
	Version fixity.RegisterVersion // in force now; zero if none ever was
	News    bool                   // it differs from the one before
	First   bool                   // there was none before
	Changes register.Changes
	// Failed says why it couldn't be read; nil if it was. Then Version is what stays in force.
	Failed   *register.Unreadable
	Reading  fixity.RegisterReading
	Problems []register.Problem
	Findings []ledger.Finding // that are open about it
	Notes    []string         // about the file as a whole
}

// lock is how long another reading is waited for.
const lock = 10 * time.Second

// Read reads the register, keeps it if it differs from what it was, holds it against what the
// ledger knows, and opens, changes and ends findings about it. If it can't be read, what was
// read of it last stays in force, and a finding says why. The error is of what has nothing to
// do with the register: a ledger that is busy, a context that ended.
func (a Acts) Read(ctx context.Context) (Result, error) {
	if a.Source.From == "" {
		return Result{}, fmt.Errorf("no register is configured: write [register] file and columns into the configuration: %w", fixity.ErrRefused)
	}
	unlock, err := a.Ledger.LockOwn(ctx, "register", a.Stores().Who(), lock, a.Now)
	if err != nil {
		return Result{}, err
	}
	defer unlock()
	table, file, err := a.Source.Read(ctx)
	var failed *register.Unreadable
	switch {
	case errors.As(err, &failed) && ctx.Err() == nil:
		return a.failed(ctx, failed, fixity.Digest{})
	case err != nil:
		return Result{}, err
	}
	r := Result{Notes: table.Notes}
	err = a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error {
		r = Result{Notes: table.Notes}
		return a.keep(t, table, file, &r)
	})
	if errors.As(err, &failed) {
		return a.failed(ctx, failed, file)
	}
	return r, err
}

// stillSo is how long a text that looks half written must have stayed as it is before it is
// believed: no writer takes that long.
const stillSo = 10 * time.Minute

// fewRows is how many rows a text may lose at once without looking half written.
const fewRows = 20

// Doubted says that a text was refused because it looked half written, and is to be read once
// more now: if it is still the same, it is whole.
func Doubted(r fixity.RegisterReading, now time.Time) bool {
	return !r.DoubtedAt.IsZero() && now.Sub(r.DoubtedAt) >= stillSo && r.TriedAt.Sub(r.DoubtedAt) < stillSo
}

// emptied says of a register that it lost all its rows, or nearly all of many: somebody saved
// another sheet under its name, or an empty one. It isn't believed but by a person's word, in
// whatever form it is and for however long it stays so.
func (a Acts) emptied(table register.Table, rows int64) error {
	n := int64(len(table.Rows))
	if a.Fewer || n >= rows || n > 0 && (rows-n < fewRows || n >= rows/10) {
		return nil
	}
	text := fmt.Sprintf("only its heads are left: all its rows (%s) are gone", fixity.Number(rows))
	if n > 0 {
		text = fmt.Sprintf("only %s of its %s rows are left", fixity.Number(n), fixity.Number(rows))
	}
	return &register.Unreadable{Why: register.Emptied, File: a.Source.From, Text: text + ". Put the rows back, or say that they are gone on purpose"}
}

// halfWritten says of a text what makes it look as if its writer was broken off: nil if nothing
// does, if it has been so for a while, if a person says that the rows are gone on purpose, or if
// it is no text. One that was cut off just behind a
// line, with most of its rows, looks like any other: its rows are told as deleted.
func (a Acts) halfWritten(table register.Table, file fixity.Digest, was fixity.RegisterReading, rows int64) error {
	if a.Fewer || table.End == register.NoText || was.Doubted == file && a.Now().Sub(was.DoubtedAt) >= stillSo {
		return nil
	}
	why := ""
	switch n := int64(len(table.Rows)); {
	case table.End == register.Unended && register.End(was.Ending) == register.Ended:
		why = "its last line has no end, as it had before"
	case rows-n >= fewRows && n < rows/2:
		why = fmt.Sprintf("it has %s, and had %d before", fixity.Count(n, "row"), rows)
	default:
		return nil
	}
	return &register.Unreadable{Why: register.HalfWritten, File: a.Source.From, Text: "it looks half written: " + why + ". If it is as it should be, leave it so: it is believed once it has stayed the same for ten minutes"}
}

// MaySayFewer says of a finding about the register that a person's word ends it: rows are gone,
// and whether on purpose can't be known.
func MaySayFewer(f ledger.Finding) bool {
	x, ok := f.Facts.Find(fixity.RegisterFails)
	return ok && (x.Code == string(register.Emptied) || x.Code == string(register.HalfWritten))
}

// failed notes that the register couldn't be read. doubted is the file if it looks half written.
func (a Acts) failed(ctx context.Context, u *register.Unreadable, doubted fixity.Digest) (Result, error) {
	r := Result{Failed: u}
	err := a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error {
		why := fixity.Fact{Code: string(u.Why), Set: u.Sheet, Count: int64(u.Row), Said: []string{u.Text, u.Column}}
		if err := t.Register.Failed(fixity.RegisterReading{From: a.Source.From, Doubted: doubted}, why, strings.TrimPrefix(u.Error(), "read the register "), a.By); err != nil {
			return err
		}
		return a.look(t, &r)
	})
	return r, err
}

// look fills in what is in force and what is open.
func (a Acts) look(t *ledger.Tx, r *Result) (err error) {
	if r.Version, err = t.Register.Version(0); err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return err
	}
	if r.Reading, err = t.Register.Reading(); err != nil {
		return err
	}
	r.Findings, err = t.Findings.OfRegister()
	return err
}

// keep does all that follows from a register that was read, in one transaction.
func (a Acts) keep(t *ledger.Tx, table register.Table, file fixity.Digest, r *Result) error {
	columns, err := json.Marshal(table.Columns)
	if err != nil {
		return err
	}
	before, err := t.Register.Version(0)
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return err
	}
	if r.First = before.N == 0; !r.First {
		was, err := t.Register.Reading()
		if err != nil {
			return err
		}
		if err := a.emptied(table, before.Rows); err != nil {
			return err
		}
		if err := a.halfWritten(table, file, was, before.Rows); err != nil {
			return err
		}
	}
	v := fixity.RegisterVersion{By: a.By, Reason: a.Reason, From: a.Source.From, Sheet: table.Sheet, Columns: string(columns), File: file}
	rows := make([]fixity.RegisterRow, len(table.Rows))
	for i, x := range table.Rows {
		rows[i] = fixity.RegisterRow{Line: x.Line, Cells: x.Stored()}
	}
	if !r.First {
		old, err := rowsAs(t, before, table.Columns)
		if err != nil {
			return err
		}
		r.Changes = register.Compare(old, table.Rows)
		v.Added, v.Deleted, v.Changed, v.Moved = int64(len(r.Changes.Added)), int64(len(r.Changes.Deleted)), int64(len(r.Changes.Changed)), int64(r.Changes.Moved)
	}
	if r.Version, r.News, err = t.Register.Keep(v, rows); err != nil {
		return err
	}
	if err := a.suspect(t, before, table, r.Changes); err != nil {
		return err
	}
	known, err := Known(t, a.Rules, a.Source.Sets)
	if err != nil {
		return err
	}
	settings := a.Source.Settings
	settings.Heads = table.Columns
	held := register.Reconcile(table.Rows, known, settings)
	if err := tie(t, table, rows, held, a.By); err != nil {
		return err
	}
	r.Problems = append(slices.Clone(table.Problems), held.Problems...)
	open, err := t.Register.PutProblems(stored(r.Problems, table.Rows), a.By)
	if err != nil {
		return err
	}
	if err := t.Register.PutReading(fixity.RegisterReading{ReadAt: t.Now(), TriedAt: t.Now(), From: a.Source.From, File: file,
		Rows: int64(held.Rows), Matched: int64(held.Matched), Waiting: int64(held.ToTransfer), Open: open, Ending: int64(table.End)}); err != nil {
		return err
	}
	if err := t.Register.ReadAgain(a.By); err != nil {
		return err
	}
	return a.look(t, r)
}

// RowsOf are the rows of a version, as they were read.
func RowsOf(t *ledger.Tx, v fixity.RegisterVersion) ([]register.Row, error) {
	kept, err := t.Register.Rows(v)
	if err != nil {
		return nil, err
	}
	out := make([]register.Row, len(kept))
	for i, x := range kept {
		if out[i], err = register.FromStored(x.Cells, x.Line); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// rowsAs are the rows of a version, as they are by other columns: what a person maps in another
// way is no change of the register.
func rowsAs(t *ledger.Tx, v fixity.RegisterVersion, now register.Columns) ([]register.Row, error) {
	rows, err := RowsOf(t, v)
	if err != nil {
		return nil, err
	}
	was, err := ColumnsOf(v)
	return register.Mapped(rows, was, now), err
}

// tie notes what each row is about, and what the register says of each side.
func tie(t *ledger.Tx, table register.Table, rows []fixity.RegisterRow, held register.Result, by string) error {
	for i := range rows {
		rows[i].Item, rows[i].Side = "", ""
	}
	for _, x := range held.Tied {
		rows[x.Row].Item, rows[x.Row].Side = x.Item, x.Side
	}
	if err := t.Register.Tie(rows); err != nil {
		return err
	}
	type of struct{ item, side string }
	var says []fixity.RegisterSays
	at := map[of]int{}
	for _, x := range held.Says {
		text, err := json.Marshal(x)
		if err != nil {
			return err
		}
		s := fixity.RegisterSays{Item: x.Item, Side: x.Side, Sheet: x.Sheet, Line: x.Line, Condition: x.Condition, Restricted: x.Restricted, Unplayable: x.Playable == register.CannotAgain, Text: string(text)}
		k := of{x.Item, x.Side}
		i, ok := at[k]
		if !ok {
			at[k] = len(says)
			says = append(says, s)
			continue
		}
		// Reels whose numbers are the same are told apart by their base; what restricts one
		// restricts both.
		says[i].Restricted, says[i].Unplayable = says[i].Restricted || s.Restricted, says[i].Unplayable || s.Unplayable
	}
	return t.Register.PutSays(says, by)
}

// stored are problems as the ledger keeps them. The same problem has the same key in whichever
// line its row stands.
func stored(ps []register.Problem, rows []register.Row) []fixity.RegisterProblem {
	of := map[int]string{}
	for _, r := range rows {
		of[r.Line] = strings.Join([]string{r.Text(register.Item), r.Text(register.Base), r.Text(register.Side), r.Text(register.Track)}, "\x1e")
	}
	seen := map[string]int{}
	out := make([]fixity.RegisterProblem, 0, len(ps))
	for _, p := range ps {
		key := ledger.ProblemKey(p.Kind, string(p.Rule), p.Sheet, p.Column, p.Item, p.Side, p.Track, of[p.Row], strings.Join(p.Tells, "\x1e"))
		if n := seen[key]; n > 0 {
			seen[key]++
			key = ledger.ProblemKey(key, strconv.Itoa(n))
		} else {
			seen[key] = 1
		}
		out = append(out, fixity.RegisterProblem{Key: key, Sheet: p.Sheet, Line: p.Row, Column: p.Column, Kind: p.Kind, Tells: p.Tells, Item: p.Item})
	}
	return out
}

// suspect opens and ends findings about how the register changed: values that were torn from
// their rows, columns that were filled down. One ends by itself once the register, held
// against the version before the mistake, doesn't show it any more.
func (a Acts) suspect(t *ledger.Tx, before fixity.RegisterVersion, table register.Table, c register.Changes) error {
	for _, kind := range []fixity.Kind{fixity.TornColumn, fixity.FilledDown} {
		since := before
		now := c
		_, was, err := t.Register.Suspected(kind)
		open := err == nil
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return err
		}
		if open && was != before.N {
			if since, err = t.Register.Version(was); err != nil {
				return err
			}
			old, err := rowsAs(t, since, table.Columns)
			if err != nil {
				return err
			}
			now = register.Compare(old, table.Rows)
		}
		facts := FactsOf(kind, now, table.Columns)
		n := int64(0)
		for _, f := range facts {
			n += f.Count
		}
		switch {
		case len(facts) > 0:
			if err := t.Register.Suspect(kind, since.N, facts, n, a.By); err != nil {
				return err
			}
		case open:
			if err := t.Register.Unsuspect(kind, a.By); err != nil {
				return err
			}
		}
	}
	return nil
}

// mostFacts is how many columns and stretches a finding names.
const mostFacts = 20

// FactsOf are what changes tell of a mistake of a kind; columns are those of the header.
func FactsOf(kind fixity.Kind, c register.Changes, columns register.Columns) (facts []fixity.Fact) {
	name := func(x register.ChangedCell) string {
		if x.Field == "" {
			return x.Header
		}
		return cmp.Or(columns[x.Field], string(x.Field))
	}
	if kind == fixity.TornColumn {
		for _, x := range c.Torn {
			f := fixity.Fact{Is: fixity.ColumnTorn, Count: int64(x.Rows), Of: int64(x.Of), Before: int64(x.Example.After.Line)}
			for _, col := range x.Columns {
				f.Said = append(f.Said, name(col))
			}
			if x.AllOthers {
				f.Code = fixity.AllOthers
			}
			facts = append(facts, f)
		}
		return facts
	}
	for _, x := range c.Filled[:min(len(c.Filled), mostFacts)] {
		facts = append(facts, fixity.Fact{Is: fixity.ColumnFilled, Said: []string{name(x.Cell), x.Cell.After}, Before: int64(x.Line), Of: int64(x.Until), Count: int64(x.Rows)})
	}
	return facts
}

// ColumnsOf are the columns of a version, by the words of its header.
func ColumnsOf(v fixity.RegisterVersion) (c register.Columns, err error) {
	if v.Columns == "" {
		return nil, nil
	}
	err = json.Unmarshal([]byte(v.Columns), &c)
	return c, err
}
