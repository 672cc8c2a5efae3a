package registering

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/sheets"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// mostItems is how many items a burn sheet names.
const mostItems = 12

// BurnSheet is what a person needs to burn a registered disc, and its twins. restricted puts
// the register's words about restricted recordings on it, too.
func (e Desk) BurnSheet(ctx context.Context, archive, number string, restricted bool) (sheets.BurnSheet, error) {
	s := sheets.BurnSheet{Archive: archive, Made: e.Now().Local(), By: e.By}
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Discs.All()
		if err != nil {
			return err
		}
		r, err := discs.Parse(number, all)
		if err != nil {
			return err
		}
		same := r.Fits(all)
		if len(same) == 0 {
			return r.None(all)
		}
		if err := SameContents(t, same); err != nil {
			return err
		}
		parts := 0
		for _, d := range (discs.Ref{Number: r.Number}).Fits(all) {
			parts = max(parts, d.Part)
		}
		d := same[0]
		s.Number, s.Part, s.Parts, s.Box, s.Kind, s.Blank = d.Number, d.Part, parts, d.Box, d.Kind, d.Blank
		for _, x := range same {
			if x.Twin != "" {
				s.Twins = append(s.Twins, x.Twin)
			}
		}
		fs, err := t.Discs.FilesOn(d.ID)
		if err != nil {
			return err
		}
		if len(fs) == 0 {
			s.Left = append(s.Left, "No files are registered for it.")
		}
		var items []string
		for _, x := range fs {
			f, err := t.Files.Get(x.File)
			if err != nil {
				return err
			}
			if it := ItemSide(e.Rules, f.Set, f.Path); it != "" && !slices.Contains(items, it) {
				items = append(items, it)
			}
			b, left, err := e.burnFile(t, d, f, x)
			if err != nil {
				return err
			}
			s.Files = append(s.Files, b)
			if left != "" {
				s.Left = append(s.Left, left)
			}
		}
		if n := len(items) - mostItems; n > 0 {
			items = append(items[:mostItems], fmt.Sprintf("and %d more", n))
		}
		s.Item = strings.Join(items, ", ")
		s.Labels, err = e.labelled(t, d, restricted)
		return err
	})
	return s, err
}

func (e Desk) burnFile(t *ledger.Tx, d ledger.Disc, f ledger.File, x ledger.DiscFile) (b sheets.BurnFile, left string, err error) {
	b = sheets.BurnFile{Name: f.Set + "/" + ledger.DisplayPath(f.Path), Version: x.Version, Bytes: -1}
	vs, err := t.Files.Versions(f.ID)
	if err != nil {
		return b, "", err
	}
	for _, v := range vs {
		if v.N == x.Version {
			b.Bytes = v.Size
		}
	}
	copies, err := t.Copies.Of(f.ID)
	if err != nil {
		return b, "", err
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	for _, c := range copies {
		if c.Carrier == 0 && c.Held == x.Version && (c.State == fixity.Intact || c.State == fixity.Editing) && (b.Store == "" || c.Store == arrivals.Name) {
			b.Store, b.From = c.Store, e.Path(c.Store, f.Set, c.At)
		}
	}
	if b.Store == "" {
		left = fmt.Sprintf("No store is known to hold version %d of %s.", x.Version, b.Name)
	}
	if d.Kind != ledger.AudioDisc {
		return b, left, nil
	}
	snd, ok, err := SoundAt(t, f.ID, x.Version)
	if ok {
		b.Samples, b.Rate = snd.Frames, int(snd.Rate)
		b.Format = FormatOf(snd)
	}
	return b, left, err
}

// labelled are the register's words about the sides on a disc; none where it has no row about
// any of them.
func (e Desk) labelled(t *ledger.Tx, d ledger.Disc, restricted bool) (out []sheets.Labelled, err error) {
	w := newWords(t)
	sides, err := e.sidesOn(t, d, w)
	if err != nil {
		return nil, err
	}
	some := false
	for _, side := range sides {
		a, err := w.about(side, restricted)
		if err != nil {
			return nil, err
		}
		some = some || a.Without != NoWords
		out = append(out, sheets.Labelled{Number: a.Item, Side: a.Side, Title: a.Title, Performers: a.Performers, Recorded: a.Recorded, Length: a.Length, Without: string(a.Without)})
	}
	if !some {
		return nil, nil
	}
	return out, nil
}
