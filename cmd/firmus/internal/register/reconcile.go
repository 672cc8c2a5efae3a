package register

import (
	"cmp"
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
)

// Reconcile ties the rows of a register to what the ledger knows, and says where the two
// disagree. A row that claims nothing, and of which nothing is there, is to transfer.
func Reconcile(rows []Row, k Known, s Settings) Result {
	t := newTier(rows, k, s)
	t.tie()
	t.pieces()
	out := Result{Rows: t.count}
	for _, l := range t.lines {
		there := l.reel.there(l.Side)
		l.ToTransfer = !there && !l.claims()
		if there {
			out.Matched++
		}
		if l.ToTransfer {
			out.ToTransfer++
		}
	}
	if len(t.lines) > 0 && out.Matched == 0 && len(k.Files) > 0 {
		t.say(t.lines[0], Item, RuleNumber, NoneFits, t.order[0].name)
	} else {
		t.absent()
		t.noRow()
	}
	t.doubles()
	t.lengths()
	t.barcodes()
	t.folders()
	t.discs()
	t.dates()
	t.values()
	for _, l := range t.lines {
		out.Tied = append(out.Tied, l.Tied)
	}
	out.Says = t.says()
	out.Problems = t.sorted()
	return out
}

// sorted are the problems in the order of the rows; those of no row come last.
func (t *tier) sorted() []Problem {
	sheets := map[string]int{}
	for _, r := range t.rows {
		if _, ok := sheets[r.Sheet]; !ok {
			sheets[r.Sheet] = len(sheets)
		}
	}
	slices.SortStableFunc(t.problems, func(a, b Problem) int {
		if (a.Row == 0) != (b.Row == 0) {
			return cmp.Compare(b.Row, a.Row)
		}
		return cmp.Or(cmp.Compare(sheets[a.Sheet], sheets[b.Sheet]), cmp.Compare(a.Row, b.Row))
	})
	return t.problems
}

// what names what a row is about.
func (l *line) what() about { return about{l.Item, l.Side, l.Track} }

// group is what rows are about that may be doubles, or pieces of one side.
type group struct {
	reel        *reel
	side, track string
}

func (l *line) group() group { return group{l.reel, l.Side, strings.TrimLeft(l.Track, "0")} }

// same is what rows of one side say that tells them apart.
func (l *line) same() string {
	return folded(l.row.Text(Title)) + "\x00" + nameOf(l.row.Text(File))
}

const nothingSaid = "\x00"

// pieces finds the rows that are pieces of one side, without numbers: their titles or files
// differ.
func (t *tier) pieces() {
	groups := map[group][]*line{}
	for _, l := range t.lines {
		groups[l.group()] = append(groups[l.group()], l)
	}
	for _, ls := range groups {
		if len(ls) < 2 || ls[0].Track != "" {
			continue
		}
		seen := map[string]int{}
		for _, l := range ls {
			seen[l.same()]++
		}
		if len(seen) < 2 || seen[nothingSaid] > 1 {
			continue
		}
		for _, l := range ls {
			l.Piece = l.same() != nothingSaid
		}
	}
}

// doubles are rows about the same, and barcodes of two reels.
func (t *tier) doubles() {
	first := map[string]*line{}
	of := func(l *line, key string) *line {
		was := first[key]
		if was == nil {
			first[key] = l
		}
		return was
	}
	for _, l := range t.lines {
		g := l.group()
		key := fmt.Sprintf("%p %s\x00%s", g.reel, g.side, g.track)
		if l.Piece {
			key += "\x00" + l.same()
		}
		if was := of(l, key); was != nil {
			t.say(l, Item, RuleDouble, Double, l.what(), was.place(l))
		}
		text := strings.TrimSpace(l.row.Text(Barcode))
		if v := carrierNumber(l.row.Cells[Barcode]); !nothing[strings.ToLower(text)] && !exponent().MatchString(v) {
			if was := of(l, "barcode "+v); was != nil && was.reel != l.reel {
				t.say(l, Barcode, RuleDouble, SameBarcode, text, was.Item, was.place(l))
			}
		}
	}
}

// place names the row for a reader of another.
func (l *line) place(from *line) where {
	out := where{line: l.row.Line, hidden: l.row.Hidden}
	if l.row.Sheet != from.row.Sheet {
		out.sheet = l.row.Sheet
	}
	return out
}

// absent are rows that claim what isn't there.
func (t *tier) absent() {
	for _, l := range t.lines {
		if !l.claims() {
			continue
		}
		file := strings.TrimSpace(l.row.Text(File))
		named := !nothing[strings.ToLower(file)] && !not[strings.ToLower(file)]
		f := Item
		for _, x := range []Field{File, Disc, Digitised} {
			if v := strings.ToLower(folded(l.row.Text(x))); !nothing[v] && !not[v] {
				f = x
			}
		}
		switch {
		case named && !l.named && t.elsewhere(l, file):
		case !l.reel.there(l.Side):
			t.say(l, f, RuleAbsent, Absent, l.what(), t.settings.head(f), strings.TrimSpace(l.row.Text(f)))
		case named && !l.named && !isDigits(file):
			t.say(l, File, RuleAbsent, AbsentFile, file, about{l.Item, l.Side, ""})
		case l.Track != "" && len(l.Files) == 0 && t.tracked(l.reel.of(l.Side)):
			t.say(l, f, RuleAbsent, AbsentTrack, l.what())
		}
	}
}

// elsewhere says that the file that a row names belongs to another item.
func (t *tier) elsewhere(l *line, file string) bool {
	for _, i := range t.byName[nameOf(file)] {
		if k := t.known.Files[i]; k.Item != l.reel.name {
			t.say(l, File, RuleNumber, Foreign, l.number, file, k.Item)
			return true
		}
	}
	return false
}

func (t *tier) tracked(files []int) bool {
	return slices.ContainsFunc(files, func(i int) bool { return t.known.Files[i].Track != "" })
}

// noRow are files that no row is about.
func (t *tier) noRow() {
	covered, rows := make([]bool, len(t.known.Files)), map[string]bool{}
	for _, l := range t.lines {
		rows[l.Item] = true
		files := l.reel.of(l.Side)
		if l.reel.unsided() {
			files = l.reel.files
		}
		for _, i := range files {
			covered[i] = true
		}
	}
	for _, r := range t.order {
		if t.reels[r.name] != r {
			continue // of the register alone
		}
		var sides []string
		left := map[string]int{}
		for _, i := range r.files {
			if !covered[i] {
				s := sideOf(t.known.Files[i].Side)
				if left[s]++; left[s] == 1 {
					sides = append(sides, s)
				}
			}
		}
		n := 0
		for _, s := range sides {
			n += left[s]
		}
		if !rows[r.name] {
			t.lacking(r.name, "", n)
			continue
		}
		for _, s := range sides {
			if s != "" { // a name that doesn't say the side may be of any row
				t.lacking(r.name, s, left[s])
			}
		}
	}
}

func (t *tier) lacking(item, side string, n int) {
	if t.settings.off(RuleNoRow) || n == 0 {
		return
	}
	t.problems = append(t.problems, Problem{Column: t.settings.head(Item), Kind: RuleNoRow.kind(), Rule: RuleNoRow, Item: item, Side: side,
		Tells: Tell(NoRow, n, about{item, side, ""})})
}

// folders are those of rows whose files lie elsewhere.
func (t *tier) folders() {
	for _, l := range t.lines {
		text := strings.TrimSpace(l.row.Text(Folder))
		parts := foldersOf(text)
		files := l.reel.of(l.Side)
		if len(parts) == 0 || nothing[strings.ToLower(text)] || len(files) == 0 {
			continue
		}
		last, lie := parts[len(parts)-1], ""
		for _, i := range files {
			f := t.known.Files[i]
			at := append([]string{loosely(f.Set)}, foldersOf(f.Path)...)
			if at = at[:len(at)-1]; slices.Contains(at, last) {
				lie = ""
				break
			}
			if d := strings.LastIndex(f.Path, "/"); d > 0 && lie == "" {
				lie = f.Set + "/" + f.Path[:d]
			}
		}
		if lie != "" {
			t.say(l, Folder, RuleFolder, Elsewhere, about{l.Item, l.Side, ""}, text, lie)
		}
	}
}

func foldersOf(p string) (out []string) {
	for _, x := range strings.Split(strings.ReplaceAll(p, `\`, "/"), "/") {
		if x = loosely(x); x != "" {
			out = append(out, x)
		}
	}
	return out
}

// did are words of the column of days that claim a day without naming it.
var did = map[string]bool{"yes": true, "y": true, "x": true, "✓": true, "done": true, "true": true, "1": true, "ja": true, "ok": true}

// dates are days of digitising that aren't understood, or after the files were taken in.
func (t *tier) dates() {
	for _, l := range t.lines {
		text := strings.TrimSpace(l.row.Text(Digitised))
		if v := strings.ToLower(folded(text)); nothing[v] || not[v] || did[v] {
			continue
		}
		day, ok := Day(l.row.Cells[Digitised])
		if !ok {
			if EDTF(text) == "" {
				t.say(l, Digitised, RuleDate, NoDay, text)
			}
			continue
		}
		for _, i := range l.Files {
			// A day of grace: register and ledger may count days in different places.
			if f := t.known.Files[i]; f.Role == fixity.Master && !f.TakenIn.IsZero() && day.After(f.TakenIn.AddDate(0, 0, 1)) {
				t.say(l, Digitised, RuleDate, LateDay, l.what(), text, f.TakenIn)
				break
			}
		}
	}
}

// values are those to which nobody has given a meaning, each once.
func (t *tier) values() {
	told := map[string]bool{}
	for _, l := range t.lines {
		text := strings.TrimSpace(l.row.Text(Playable))
		v := strings.ToLower(folded(text))
		if _, ok := t.settings.playable(text); ok || nothing[v] || told[v] {
			continue
		}
		told[v] = true
		t.say(l, Playable, RuleValue, NoMeaning, text)
	}
}

// playable is what a person said that the value means.
func (s Settings) playable(text string) (Playability, bool) {
	p, ok := s.Playable[strings.ToLower(strings.Join(strings.Fields(text), " "))]
	return p, ok
}
