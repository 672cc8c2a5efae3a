package register

import (
	"strings"
	"unicode"

	"firmus/fixity/expr"
)

// reel is an item of the ledger, of the register, or of both; where numbers repeat by base,
// that of one base.
type reel struct {
	name  string
	base  string
	files []int            // places among the known files
	sides map[string][]int // the files of each side, "" where names don't say it
	rows  []*line
}

func newReel(name string) *reel { return &reel{name: name, sides: map[string][]int{}} }

func (r *reel) add(i int, f KnownFile) {
	side := sideOf(f.Side)
	r.files, r.sides[side] = append(r.files, i), append(r.sides[side], i)
}

// tier ties rows to reels.
type tier struct {
	rows     []Row
	known    Known
	settings Settings

	reels map[string]*reel // by the ledger's item
	// The ledger's items by their names read more and more loosely. nil: several.
	exact, loose, zeroless, tail map[string]*reel
	// The register's numbers, read so; more than one is no way to tell.
	zerolessOf map[string]string
	bases      map[string]map[string]bool // by loose number, bases in small letters
	byBase     map[string]*reel           // by loose number and base: where numbers repeat
	only       map[string]*reel           // reels of the register alone, by loose number and base
	byName     map[string][]int           // files by the last name of their paths, without its ending
	byBarcode  map[string]*reel           // nil: of several

	order    []*reel
	lines    []*line // that are tied
	count    int     // rows that aren't blank
	problems []Problem
}

// line is a row with what it is about.
type line struct {
	Tied
	row       Row
	number    string
	inherited bool // from the row above: its cell is merged over both
	reel      *reel
	named     bool // it names a file that is there
}

// narrow is a letter, a digit or a sign that keyboards of East Asia write wide, as others do.
func narrow(r rune) rune {
	if r >= '\uff01' && r <= '\uff5e' {
		return r - 0xfee0
	}
	return r
}

// Spaces, dashes and the like don't count in a number, nor do capitals.
func loosely(s string) string {
	return strings.Map(func(r rune) rune {
		r = narrow(r)
		if unicode.IsLetter(r) || unicode.IsDigit(r) {
			return unicode.ToUpper(r)
		}
		return -1
	}, s)
}

// words are runs of letters and of digits; a run of digits loses its zeros in front.
var run = expr.Once(`\d+|[^\d]+`)

func withoutZeros(s string) string {
	return run().ReplaceAllStringFunc(loosely(s), func(w string) string {
		if t := strings.TrimLeft(w, "0"); t != "" {
			return t
		}
		if w[0] == '0' {
			return "0"
		}
		return w
	})
}

var digitsLast = expr.Once(`^\D+(\d+)$`)

// lastNumber is the number at the end of a name of letters and one number.
func lastNumber(s string) string {
	if m := digitsLast().FindStringSubmatch(withoutZeros(s)); m != nil {
		return m[1]
	}
	return ""
}

func folded(s string) string { return strings.ToUpper(strings.Join(strings.Fields(s), " ")) }

// sideOf is a side as it is compared: A of "side a", "A-side" and "a.".
func sideOf(s string) string {
	t := loosely(s)
	if u := strings.TrimSuffix(strings.TrimPrefix(t, "SIDE"), "SIDE"); u != "" {
		t = u
	}
	if u := strings.TrimLeft(t, "0"); u != "" {
		t = u
	}
	return t
}

// whole says that a cell of the side's column means the whole reel.
func whole(s string) bool {
	switch t := loosely(s); t {
	case "", "AB", "AANDB", "BOTH", "BOTHSIDES", "ALL", "NA", "WHOLE", "12", "1AND2":
		return true
	}
	return false
}

// put remembers one reel for a key, and of several none.
func put(m map[string]*reel, key string, r *reel) {
	if key == "" {
		return
	}
	if was, ok := m[key]; ok && was != r {
		r = nil
	}
	m[key] = r
}

func newTier(rows []Row, k Known, s Settings) *tier {
	t := &tier{rows: rows, known: k, settings: s, reels: map[string]*reel{}, exact: map[string]*reel{}, loose: map[string]*reel{}, zeroless: map[string]*reel{}, tail: map[string]*reel{},
		zerolessOf: map[string]string{}, bases: map[string]map[string]bool{}, byBase: map[string]*reel{}, only: map[string]*reel{},
		byName: map[string][]int{}, byBarcode: map[string]*reel{}}
	for i, f := range k.Files {
		r := t.reels[f.Item]
		if f.Item == "" {
			continue
		}
		if r == nil {
			r = newReel(f.Item)
			t.reels[f.Item] = r
			t.order = append(t.order, r)
			put(t.exact, folded(f.Item), r)
			put(t.loose, loosely(f.Item), r)
			put(t.zeroless, withoutZeros(f.Item), r)
			put(t.tail, lastNumber(f.Item), r)
		}
		r.add(i, f)
		put(t.byBarcode, digitsOf(f.Barcode), r)
		name := nameOf(f.Path)
		t.byName[name] = append(t.byName[name], i)
	}
	return t
}

// nameOf is the last name of a path without its ending, as it is compared.
func nameOf(p string) string {
	p = strings.ReplaceAll(p, `\`, "/")
	p = p[strings.LastIndex(p, "/")+1:]
	if i := strings.LastIndex(p, "."); i > 0 && len(p)-i <= 5 {
		p = p[:i]
	}
	return folded(p)
}

func (r Row) blank() bool {
	for _, c := range r.Cells {
		if strings.TrimSpace(c.Text) != "" || c.Kind == UnsavedCell {
			return false
		}
	}
	return true
}

// numberOf is the number as it stands; a program may have made 549.0 of it.
func numberOf(c Cell) string {
	n := strings.Join(strings.Fields(c.Text), " ")
	if c.IsNumber && strings.HasSuffix(n, ".0") {
		return n[:len(n)-2]
	}
	return n
}

// tie makes out what each row is about.
func (t *tier) tie() {
	var all []*line
	var above *line // the last that had a number
	for i, r := range t.rows {
		if r.blank() {
			continue
		}
		t.count++
		l := &line{Tied: Tied{Row: i, Track: strings.TrimSpace(r.Text(Track))}, row: r, number: numberOf(r.Cells[Item])}
		if !whole(r.Text(Side)) {
			l.Side = sideOf(r.Text(Side))
		}
		l.Base = strings.ToLower(folded(r.Text(Base)))
		if k := r.Cells[Item].Kind; k == ErrorCell || k == UnsavedCell {
			above = nil // told where the cell was read; whose row it is isn't known, nor that of the next
			continue
		}
		if l.number == "" && above != nil && above.row.Sheet == r.Sheet && l.continues(above) {
			l.number, l.inherited = above.number, true
			if l.Base == "" {
				l.Base = above.Base
			}
		}
		if l.number == "" {
			t.numberless(l)
			continue
		}
		above = l
		all = append(all, l)
		k := loosely(l.number)
		several(t.zerolessOf, withoutZeros(l.number), k)
		if l.Base != "" {
			if t.bases[k] == nil {
				t.bases[k] = map[string]bool{}
			}
			t.bases[k][l.Base] = true
		}
	}
	for _, l := range all {
		t.tieLine(l)
	}
}

// several remembers the one text for a key; "-" if there are several.
func several(m map[string]string, key, text string) {
	if was, ok := m[key]; ok && was != text {
		text = "-"
	}
	m[key] = text
}

// continues says that a row without a number goes on with the reel above it.
func (l *line) continues(above *line) bool {
	r := l.row
	if r.Text(Track) != "" || r.Text(Length) != "" {
		return true
	}
	return l.Side != "" && l.Side != above.Side
}

func (t *tier) tieLine(l *line) {
	if k := loosely(l.number); len(t.bases[k]) > 1 {
		l.reel = t.ofBase(l, k)
	} else if l.reel = t.find(l); l.reel != nil {
		l.Base = ""
	}
	if l.reel == nil {
		return // said already
	}
	l.Item = l.reel.name
	l.Side = l.reel.sideIn(l.Side)
	l.Files = t.pick(l)
	l.reel.rows = append(l.reel.rows, l)
	t.lines = append(t.lines, l)
}

// find is the reel of a number that doesn't repeat.
func (t *tier) find(l *line) *reel {
	if r := t.byNumber(l.number); r != nil {
		return r
	}
	// 107A, QV-0107_A: the number with its side.
	if m := withSide().FindStringSubmatch(l.number); m != nil && (l.Side == "" || l.Side == sideOf(m[2])) {
		if r := t.byNumber(m[1]); r != nil && len(r.sides[sideOf(m[2])]) > 0 {
			l.Side = sideOf(m[2])
			return r
		}
	}
	if l.Base != "" {
		if r := t.withBase(l); r != nil {
			return r
		}
	}
	if b := digitsOf(l.row.Text(Barcode)); b != "" && t.byBarcode[b] != nil {
		r := t.byBarcode[b]
		t.say(l, Item, RuleNumber, BarcodeOf, l.number, l.row.Text(Barcode), r.name)
		return r
	}
	return t.own(l, loosely(l.number))
}

var withSide = expr.Once(`^(.*\d)[ _./-]?(?i:side)?[ _-]?([A-Da-d])$`)

// byNumber is the one reel of the ledger with a number.
func (t *tier) byNumber(n string) *reel {
	if r := t.exact[folded(n)]; r != nil {
		return r
	}
	k := loosely(n)
	if r := t.loose[k]; r != nil {
		return r
	}
	// 549 is 0549, and QV-0549, if nothing else is.
	z := withoutZeros(n)
	if t.zerolessOf[z] == "-" {
		return nil
	}
	if r := t.zeroless[z]; r != nil && t.loose[k] == nil {
		return r
	}
	if strings.Trim(z, "0123456789") == "" {
		return t.tail[z]
	}
	return nil
}

// own is the reel of the register alone.
func (t *tier) own(l *line, key string) *reel {
	r := t.only[key]
	if r == nil {
		r = newReel(l.number)
		t.only[key] = r
		t.order = append(t.order, r)
	}
	return r
}

// standsFor are texts that may stand for a base in names.
func (t *tier) standsFor(base string) []string {
	if b := t.settings.Bases[base]; b != "" {
		return []string{b}
	}
	first := []rune(loosely(base))
	if len(first) == 0 {
		return nil
	}
	return []string{base, string(first[:1])}
}

// withBase is the one reel whose name has both number and base.
func (t *tier) withBase(l *line) *reel {
	for _, b := range t.standsFor(l.Base) {
		for _, n := range []string{b + l.number, l.number + b} {
			if r := t.loose[loosely(n)]; r != nil {
				return r
			}
			if r := t.zeroless[withoutZeros(n)]; r != nil {
				return r
			}
		}
	}
	return nil
}

// ofBase is the reel of a number that repeats by base. The files must say which one they
// are of: in the item's name, or in the name of a folder or set.
func (t *tier) ofBase(l *line, k string) *reel {
	if l.Base == "" {
		t.say(l, Item, RuleNumber, NoBase, l.number, len(t.bases[k]))
		return nil
	}
	key := k + "\x00" + l.Base
	if r, ok := t.byBase[key]; ok {
		return r
	}
	r := t.withBase(l)
	if of := t.byNumber(l.number); r == nil && of != nil {
		r = t.inFolder(of, l.Base)
		apart := r != nil
		for b := range t.bases[k] {
			apart = apart || t.inFolder(of, b) != nil
		}
		if !apart {
			t.say(l, Item, RuleNumber, ManyBases, l.number, len(t.bases[k]))
			t.byBase[key] = nil
			return nil
		}
	}
	if r == nil {
		r = t.own(l, key)
	}
	r.base, t.byBase[key] = l.Base, r
	return r
}

// inFolder is the part of a reel whose folders or sets name the base; nil if none does.
func (t *tier) inFolder(of *reel, base string) *reel {
	r := newReel(of.name)
	for _, i := range of.files {
		if f := t.known.Files[i]; t.namesBase(f, base) {
			r.add(i, f)
		}
	}
	if len(r.files) == 0 {
		return nil
	}
	return r
}

func (t *tier) namesBase(f KnownFile, base string) bool {
	folders := strings.Split(f.Path, "/")
	folders[len(folders)-1] = f.Set
	for _, b := range t.standsFor(base) {
		b = loosely(b)
		for _, d := range folders {
			if d = loosely(d); d == b || len(b) > 2 && strings.Contains(d, b) {
				return true
			}
		}
	}
	return false
}

// sideIn is a side as the reel's files call it: 1 and 2 may be A and B.
func (r *reel) sideIn(side string) string {
	if _, ok := r.sides[side]; ok || len(side) != 1 {
		return side
	}
	other := side
	switch c := side[0]; {
	case c >= '1' && c <= '4':
		other = string(c - '1' + 'A')
	case c >= 'A' && c <= 'D':
		other = string(c - 'A' + '1')
	}
	if _, ok := r.sides[other]; ok {
		return other
	}
	return side
}

// pick gives the files that the row is about.
func (t *tier) pick(l *line) []int {
	r := l.reel
	if name := nameOf(l.row.Text(File)); name != "" {
		var out []int
		for _, i := range t.byName[name] {
			if f := t.known.Files[i]; f.Item == r.name {
				out = append(out, i)
			}
		}
		if l.named = out != nil; l.named {
			if l.Side == "" && l.Track == "" {
				l.Side, l.Track = sideOf(t.known.Files[out[0]].Side), t.known.Files[out[0]].Track
			}
			return out
		}
		if l.Track == "" && isDigits(name) {
			if out := t.track(r.of(l.Side), name); out != nil {
				l.Track, l.named = strings.TrimSpace(l.row.Text(File)), true
				return out
			}
		}
	}
	files := r.of(l.Side)
	if l.Track == "" {
		return files
	}
	return t.track(files, l.Track)
}

// of are the files of a side; "" is the whole reel.
func (r *reel) of(side string) []int {
	if side == "" {
		return r.files
	}
	return r.sides[side]
}

// there says that files of a side are under care, or files of the reel that don't say the
// side.
func (r *reel) there(side string) bool {
	return len(r.of(side)) > 0 || r.unsided()
}

// unsided says that the names of the reel's files don't tell sides.
func (r *reel) unsided() bool { return len(r.files) > 0 && len(r.sides[""]) == len(r.files) }

// track are those of files that have the track.
func (t *tier) track(files []int, track string) (out []int) {
	want := withoutZeros(track)
	for _, i := range files {
		if have := t.known.Files[i].Track; have != "" && withoutZeros(have) == want {
			out = append(out, i)
		}
	}
	return out
}

// numberless is said of a row that claims something and has no number.
func (t *tier) numberless(l *line) {
	if l.claims() {
		t.say(l, Item, RuleNumber, NoNumber)
	}
}

// not are words that claim nothing.
var not = map[string]bool{"no": true, "not yet": true, "none": true, "n": true, "false": true, "0": true, "pending": true, "to do": true, "todo": true}

// claims says that the row says of something that it is there.
func (l *line) claims() bool {
	for _, f := range []Field{Digitised, Disc, File} {
		if v := strings.ToLower(folded(l.row.Text(f))); !nothing[v] && !not[v] {
			return true
		}
	}
	return false
}

// say adds a problem about a cell of the row.
func (t *tier) say(l *line, f Field, r Rule, is Telling, values ...any) {
	if t.settings.off(r) {
		return
	}
	t.problems = append(t.problems, Problem{Sheet: l.row.Sheet, Row: l.row.Line, Column: t.settings.head(f), Kind: r.kind(), Tells: Tell(is, values...),
		Rule: r, Item: l.Item, Side: l.Side, Track: l.Track})
}
