package handover

import (
	"context"
	"errors"
	"io"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/premis"
	"firmus/fixity/ledger"
)

// Events writes what the record tells of a time, from since on and before until, as PREMIS;
// a zero time is no limit. told are the events of the record that PREMIS has words for, left
// those that it hasn't.
func Events(ctx context.Context, l *ledger.Ledger, by Teller, since, until time.Time, w io.Writer) (told, left int, err error) {
	err = l.View(ctx, func(t *ledger.Tx) error {
		s, err := newStory(t, by)
		if err != nil {
			return err
		}
		s.together = true
		all := premis.Object{ID: s.id("holdings"), Entity: true, Name: by.Archive, Facts: [][2]string{{"kind", "all holdings of an archive"}}}
		s.about = all.ID
		go2 := func(each func(premis.Event) error) error {
			return t.Log.Between(since, until, nil, func(e ledger.Event) error {
				if ctx.Err() != nil {
					return context.Cause(ctx)
				}
				var lines []ledger.Line
				if e.Told()["root"] != nil {
					var err error
					if lines, err = t.Log.LinesOf(e.Seq); err != nil {
						return err
					}
				}
				n := 0
				if err := s.tell(e, lines, func(x premis.Event) error { n++; return each(x) }); err != nil {
					return err
				}
				if n > 0 {
					told++
				} else {
					left++
				}
				return nil
			})
		}
		// First which files it is about: the objects stand before the events.
		if err := go2(func(premis.Event) error { return nil }); err != nil {
			return err
		}
		told, left = 0, 0
		var ids []int64
		for id, f := range s.files {
			if f != nil {
				ids = append(ids, id)
			}
		}
		slices.Sort(ids)
		doc := premis.NewWriter(w)
		if err := doc.Object(all); err != nil {
			return err
		}
		for _, id := range s.oldFirst(ids) {
			if err := s.putFile(doc, id, all.ID, Handed{}); err != nil {
				return err
			}
		}
		return errors.Join(go2(doc.Event), doc.Close())
	})
	return told, left, err
}
