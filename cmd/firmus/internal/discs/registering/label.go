package registering

import (
	"cmp"
	"context"
	"errors"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/register"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Label is what stands on the label of a disc of one side that it holds. All texts are the
// register's own, as they stand there; what isn't known is blank.
type Label struct {
	Disc   string        // all that is written on the disc, "QD-0031 A"
	Twin   string        // its letter
	Part   int           // 0: the only one
	Parts  int           // how many there are; 0: not known
	Box    string        // as on the shelf
	Kind   string        // ledger.AudioDisc or ledger.DataDisc
	Burned string        // when, as typed
	Files  int           // of the side on this disc
	Lasts  time.Duration // of those files; 0: not known of all
	About
}

// About is what the register says of a side.
type About struct {
	Item       string // as the ledger calls it
	Side       string
	Barcode    string // "" also if a spreadsheet program made a power of ten of it
	Title      string
	Composer   string
	Performers string
	Recorded   string
	Length     string // of the side, as it stands there
	// Without says why the register's words are left out; "" if they aren't.
	Without Without
}

// Without is why a label has none of the register's words.
type Without string

// Why a label has none.
const (
	NoWords    Without = "not in the register"
	Ambiguous  Without = "several reels in the register have this number"
	Restricted Without = "restricted"
)

// burnedSide is what lies on a disc of one side.
type burnedSide struct {
	item, side string
	files      []ledger.DiscFile
	tracks     []string // of all files; nil if one has none
	lasts      time.Duration
	closed     bool // a file of it is not for everybody
}

// Labels are those of the discs that are named, or of all: one for each disc and each side on
// it, in the order of the discs. restricted puts the register's words on the labels of
// restricted recordings too.
func (e Desk) Labels(ctx context.Context, numbers []string, box string, restricted bool) (out []Label, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		out = nil
		all, err := t.Discs.All()
		if err != nil {
			return err
		}
		parts := map[string]int{}
		for _, d := range all {
			parts[d.Number] = max(parts[d.Number], d.Part)
		}
		these, err := e.named(all, numbers, box)
		if err != nil {
			return err
		}
		words := newWords(t)
		for _, d := range these {
			sides, err := e.sidesOn(t, d, words)
			if err != nil {
				return err
			}
			for _, s := range sides {
				l := Label{Disc: d.Name(), Twin: d.Twin, Part: d.Part, Parts: parts[d.Number], Box: discs.Box(d.Box), Kind: d.Kind, Burned: d.Burned, Files: len(s.files), Lasts: s.lasts}
				if l.About, err = words.about(s, restricted); err != nil {
					return err
				}
				out = append(out, l)
			}
		}
		return nil
	})
	return out, err
}

// named are the discs that labels are asked for, without control discs unless they are named.
func (e Desk) named(all []ledger.Disc, numbers []string, box string) (out []ledger.Disc, err error) {
	in := func(d ledger.Disc) bool { return box == "" || strings.EqualFold(discs.Box(d.Box), discs.Box(box)) }
	if len(numbers) == 0 {
		for _, d := range all {
			if in(d) && !d.Control {
				out = append(out, d)
			}
		}
		return out, nil
	}
	for _, n := range numbers {
		r, err := discs.Parse(n, all)
		if err != nil {
			return nil, err
		}
		fits := r.Fits(all)
		if len(fits) == 0 {
			return nil, r.None(all)
		}
		for _, d := range fits {
			if in(d) && !slices.ContainsFunc(out, func(x ledger.Disc) bool { return x.ID == d.ID }) {
				out = append(out, d)
			}
		}
	}
	return out, nil
}

// sidesOn are the sides of which files were burned on a disc, in its order. A disc of which no
// files are known is one label all the same.
func (e Desk) sidesOn(t *ledger.Tx, d ledger.Disc, w *words) (out []burnedSide, err error) {
	fs, err := t.Discs.FilesOn(d.ID)
	if err != nil {
		return nil, err
	}
	unknown := map[int]bool{}
	for _, x := range fs {
		f, err := t.Files.Get(x.File)
		if err != nil {
			return nil, err
		}
		set, _ := e.Rules.Set(f.Set)
		at := set.FieldsOf(f.Path)
		i := slices.IndexFunc(out, func(s burnedSide) bool { return s.item == at.Item && s.side == at.Side })
		if i < 0 {
			i = len(out)
			out = append(out, burnedSide{item: at.Item, side: at.Side, tracks: []string{}})
		}
		s := &out[i]
		s.files = append(s.files, x)
		if closed, err := w.closed(f.Set, f.Path); err != nil {
			return nil, err
		} else if closed {
			s.closed = true
		}
		if at.Track == "" {
			s.tracks = nil
		} else if s.tracks != nil {
			s.tracks = append(s.tracks, at.Track)
		}
		long, err := t.Files.Sound(f.ID, x.Version)
		if err != nil && !errors.Is(err, fixity.ErrNotFound) {
			return nil, err
		}
		unknown[i] = unknown[i] || long.Duration <= 0
		s.lasts += long.Duration
	}
	for i := range out {
		if unknown[i] {
			out[i].lasts = 0
		}
	}
	if len(out) == 0 {
		out = append(out, burnedSide{})
	}
	return out, nil
}

// words are the register's, as the ledger keeps them.
type words struct {
	t          *ledger.Tx
	rows       map[string][]register.Row
	sides      map[string][]string // of those rows
	restricted *ledger.Restricted
}

func newWords(t *ledger.Tx) *words {
	return &words{t: t, rows: map[string][]register.Row{}, sides: map[string][]string{}}
}

// closed says that a file isn't for everybody.
func (w *words) closed(set, path string) (bool, error) {
	if w.restricted == nil {
		r, err := w.t.Register.Restricted()
		if err != nil {
			return false, err
		}
		w.restricted = &r
	}
	return w.restricted.File(set, path), nil
}

// ofItem reads the rows in force about an item, with the sides that they are about.
func (w *words) ofItem(item string) ([]register.Row, []string, error) {
	if rows, ok := w.rows[item]; ok {
		return rows, w.sides[item], nil
	}
	var rows []register.Row
	var sides []string
	if item != "" {
		kept, err := w.t.Register.OfItem(item)
		if err != nil {
			return nil, nil, err
		}
		for _, k := range kept {
			r, err := register.FromStored(k.Cells, 0)
			if err != nil {
				return nil, nil, err
			}
			rows, sides = append(rows, r), append(sides, k.Side)
		}
	}
	w.rows[item], w.sides[item] = rows, sides
	return rows, sides, nil
}

// about is what the register says of a side on a disc.
func (w *words) about(s burnedSide, restricted bool) (About, error) {
	a := About{Item: s.item, Side: s.side}
	rows, sides, err := w.ofItem(s.item)
	if err != nil {
		return a, err
	}
	var own, all, tracks []register.Row // of the side, of the whole reel, of its tracks
	bases := map[string]bool{}
	for i, r := range rows {
		whole := sides[i] == ""
		if !whole && s.side != "" && !sameName(sides[i], s.side) {
			continue
		}
		if b := register.Word(r.Text(register.Base)); b != "" {
			bases[b] = true
		}
		switch track := r.Text(register.Track); {
		case track != "" && s.holds(track):
			tracks = append(tracks, r)
		case track != "":
		case whole:
			all = append(all, r)
		default:
			own = append(own, r)
		}
	}
	switch {
	case len(own)+len(all)+len(tracks) == 0:
		a.Without = NoWords
		return a, nil
	case len(bases) > 1:
		a.Without = Ambiguous
		return a, nil
	case s.closed && !restricted:
		a.Without = Restricted
		return a, nil
	}
	slices.SortStableFunc(tracks, func(x, y register.Row) int { return cmp.Compare(trackNumber(x), trackNumber(y)) })
	text := func(f register.Field) string {
		return cmp.Or(joined(own, f), joined(tracks, f), joined(all, f))
	}
	a.Title, a.Composer, a.Performers, a.Recorded = text(register.Title), text(register.Composer), text(register.Performers), text(register.Recorded)
	if a.Barcode = text(register.Barcode); slices.ContainsFunc(strings.Split(a.Barcode, "; "), register.AsPower) {
		a.Barcode = ""
	}
	// The length of a whole reel is none of a side, unless the names of its files tell no sides.
	if len(own) == 1 {
		a.Length = strings.TrimSpace(own[0].Text(register.Length))
	} else if len(own) == 0 && len(all) == 1 && s.side == "" {
		a.Length = strings.TrimSpace(all[0].Text(register.Length))
	}
	return a, nil
}

// holds says that a track of the register is on the disc, as far as the files' names tell
// tracks.
func (s burnedSide) holds(track string) bool {
	return s.tracks == nil || slices.ContainsFunc(s.tracks, func(x string) bool { return sameName(x, track) })
}

func trackNumber(r register.Row) int {
	n, _ := strconv.Atoi(strings.TrimSpace(r.Text(register.Track)))
	return n
}

// sameName says that two names of a side, or of a track, mean one: 01 is 1.
func sameName(a, b string) bool {
	trim := func(s string) string { return strings.TrimLeft(strings.TrimSpace(s), "0") }
	return strings.EqualFold(trim(a), trim(b))
}

// joined is what rows say in a column, each text once, in their order.
func joined(rows []register.Row, f register.Field) string {
	var out []string
	for _, r := range rows {
		if v := strings.Join(strings.Fields(r.Text(f)), " "); v != "" && r.Cells[f].Kind != register.ErrorCell && !slices.Contains(out, v) {
			out = append(out, v)
		}
	}
	return strings.Join(out, "; ")
}
