package shelf

import (
	"bytes"
	"context"
	"fmt"
	"io"
	"net/url"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
)

type sittingData struct {
	Drive  string
	Show   string // which discs: "due", "month" or "" for those of a box
	Box    string
	Boxes  []string
	Of     string // in words; "" while nothing was chosen
	Began  string // when the sitting was begun that goes on; "" if none does
	Done   int
	Rows   []sittingRow
	Next   *sittingRow // the disc that is asked for; nil once all were read
	Person site.Asks
}

type sittingRow struct {
	Name, Box, Path string
	Says            string // what it was found to be; "" while it waits
	Good            bool
	Control         bool
	Next            bool
	Ask             string // the page that asks for this one next
}

// pullOf is which discs a form or an address means.
func pullOf(show, box string) (p checking.Pull, ok bool) {
	p.Box = box
	switch show {
	case "due":
		p.Due = true
	case "month":
		p.Sample = true
	case "":
		return p, box != ""
	default:
		return p, false
	}
	return p, true
}

// wanted are the discs of a sitting in the order in which they lie in their boxes, and how
// far it has come. A disc that was read stays in it though it isn't due any more.
func wanted(q *site.Request, p checking.Pull) (out []ledger.Disc, s discs.Sitting, err error) {
	e := discDesk(q)
	s = e.Sitting(p)
	chosen, err := e.Pull(q.Context(), p)
	if err != nil {
		return nil, s, err
	}
	if len(s.Done) > 0 {
		all, err := e.List(q.Context())
		if err != nil {
			return nil, s, err
		}
		for _, d := range all {
			if s.Has(d.Disc) && !slices.ContainsFunc(chosen, func(x registering.Listed) bool { return x.Disc.ID == d.Disc.ID }) {
				chosen = append(chosen, d)
			}
		}
	}
	for _, d := range checking.InBoxes(chosen) {
		out = append(out, d.Disc)
	}
	return out, s, nil
}

func sittingAddress(show, box, next string) string {
	v := url.Values{}
	for k, x := range map[string]string{"show": show, "box": box, "next": next} {
		if x != "" {
			v.Set(k, x)
		}
	}
	return "/sitting?" + v.Encode()
}

// sittingPage shows the discs of a sitting: which were read, and which one to put in next.
func sittingPage(q *site.Request) error {
	v := q.URL.Query()
	d := sittingData{Drive: q.Site.Drive, Show: v.Get("show"), Box: v.Get("box"), Person: q.Asks()}
	var all []ledger.Disc
	if err := q.View(func(t *ledger.Tx) (err error) { all, err = t.Discs.All(); return err }); err != nil {
		return err
	}
	sortDiscs(all)
	for _, x := range all {
		if name := discs.Box(x.Box); name != "" && !slices.Contains(d.Boxes, name) {
			d.Boxes = append(d.Boxes, name)
		}
	}
	p, ok := pullOf(d.Show, d.Box)
	if !ok {
		if d.Show != "" {
			return fixity.ErrNotFound
		}
		return q.Render("sitting", "Read discs", d)
	}
	wanted, s, err := wanted(q, p)
	if err != nil {
		return err
	}
	d.Of = p.InWords()
	if len(s.Done) > 0 {
		d.Began = site.DayTime(s.Began, q.Site.Now())
	}
	next := v.Get("next")
	for _, x := range wanted {
		r := sittingRow{Name: x.Name(), Box: discs.Box(x.Box), Path: site.DiscPath(x.Name()), Control: x.Control, Ask: sittingAddress(d.Show, d.Box, x.Name())}
		for _, sat := range s.Done {
			if sat.Disc == r.Name {
				r.Says, r.Good = sat.Says, sat.Good
				d.Done++
				break
			}
		}
		d.Rows = append(d.Rows, r)
	}
	for i := range d.Rows {
		if r := &d.Rows[i]; r.Says == "" && (d.Next == nil || r.Name == next) {
			d.Next = r
		}
	}
	if d.Next != nil {
		d.Next.Next = true
	}
	return q.Render("sitting", "Read discs", d)
}

// onePage gives a sitting the one disc that was put in for a page's form.
type onePage struct {
	drive string
	word  string // what is written on it; "" it is the one that was asked for
	given bool
	told  func(string)
}

func (t *onePage) Next(context.Context, ledger.Disc) (discs.At, string, error) {
	if t.given {
		return discs.At{}, "", io.EOF
	}
	t.given = true
	return discs.At{Drive: t.drive}, t.word, nil
}

func (t *onePage) Says(line string) { t.told(line) }

func (t *onePage) Eject(ctx context.Context, at discs.At) {
	if err := optical.Eject(ctx, at.Drive); err != nil {
		t.told("The drive doesn't open by itself: press its button.")
	}
}

// sittingAct reads the disc in the drive as the next of a sitting. It is the command's act
// with one disc: what was read is kept, and the next form, or the command, goes on.
func sittingAct(q *site.Request) error {
	s := q.Site
	if err := needsDrive(s); err != nil {
		return err
	}
	show, box, name := q.Field("show"), q.Field("box"), q.Field("disc")
	p, ok := pullOf(show, box)
	if !ok {
		return site.ErrIncomplete
	}
	looked := q.Field("looked")
	if looked == "" {
		return site.Refused("Look at the disc before it goes into the drive, and say what you saw: it could break in there. Nothing was read.")
	}
	wanted, far, err := wanted(q, p)
	if err != nil {
		return err
	}
	i := slices.IndexFunc(wanted, func(d ledger.Disc) bool { return d.Name() == name })
	if i < 0 {
		return fmt.Errorf("disc %s doesn't belong to this sitting any more: %w", name, fixity.ErrChangedMeanwhile)
	}
	if far.Has(wanted[i]) {
		return fmt.Errorf("disc %s was read already in this sitting: %w", name, fixity.ErrChangedMeanwhile)
	}
	wanted[0], wanted[i] = wanted[i], wanted[0] // it is asked for first
	back := sittingAddress(show, box, "")
	return q.Watched("Read disc "+site.Shown(name), func(ctx context.Context, a *archive.Archive, x *site.Job) (site.Outcome, error) {
		o := checking.Order{Looked: looked, At: discs.At{Drive: s.Drive}}
		follow(x, &o)
		var said []string
		tray := &onePage{drive: s.Drive, word: q.Field("written"), told: func(l string) { said = append(said, l); x.Note(l) }}
		sat, err := deskOf(s, a).Sit(ctx, p.InWords(), wanted, o, tray)
		if err != nil {
			return site.Outcome{}, err
		}
		if ctx.Err() != nil {
			return site.Outcome{}, ctx.Err()
		}
		out := site.Outcome{Lead: site.Sentence(strings.Join(said, ". "))}
		if len(sat.Left) > 0 {
			out.Links = []site.Link{{Path: back, Text: "Go on with the next disc"}}
			return out, nil
		}
		var text bytes.Buffer
		if err := (sheets.SittingSheet{Archive: s.Name, By: a.By, Sitting: sat}).Text(&text); err != nil {
			return site.Outcome{}, err
		}
		out.Lead += " All discs of this sitting were read."
		out.Text = strings.TrimSpace(text.String())
		out.Links = []site.Link{{Path: "/discs", Text: "Discs"}}
		return out, nil
	})
}

// sittingPrint is the sheet of a sitting that goes on.
func sittingPrint(q *site.Request) error {
	p, ok := pullOf(q.URL.Query().Get("show"), q.URL.Query().Get("box"))
	if !ok {
		return fixity.ErrNotFound
	}
	wanted, s, err := wanted(q, p)
	if err != nil {
		return err
	}
	for _, d := range wanted {
		if !s.Has(d) {
			s.Left = append(s.Left, d.Name())
		}
	}
	return q.Sheet(sheets.SittingSheet{Archive: q.Site.Name, By: q.Who.Name, Sitting: s})
}
