package ledger_test

import (
	"fmt"
	"reflect"
	"testing"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// The readings of some files are found by the numbers that each row of them has, also in a
// ledger from before rows had any.
func TestReadingsAboutFiles(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		ids := map[int64]bool{}
		for i := range 12 {
			p := fmt.Sprintf("QV-%04d/%d.wav", i/3, i)
			f := w.take(masters, p, fmt.Sprint(i), true, "studio", "vault")
			if i/3 == 2 {
				ids[f.ID] = true
			}
		}
		w.audit("studio", order{full: true})
		w.audit("vault", order{full: true})
		of := func(l *ledger.Ledger) (out map[int64][]ledger.Line) {
			view(t, l, func(x *ledger.Tx) (err error) { out, err = x.Log.LinesAbout(ids); return err })
			return out
		}
		all := map[int64][]ledger.Line{}
		w.view(func(x *ledger.Tx) error {
			return x.Log.Each(0, 1000, func(e ledger.Event) error {
				lines, err := x.Log.LinesOf(e.Seq)
				for _, l := range lines {
					if ids[l.File] {
						all[e.Seq] = append(all[e.Seq], l)
					}
				}
				return err
			})
		})
		if got := of(w.l); len(all) < 2 || !reflect.DeepEqual(got, all) {
			t.Errorf("%v, of all %v", got, all)
		}
		var wide int64
		if err := d.raw().QueryRow(`SELECT count(*) FROM reading WHERE high - low > 2`).Scan(&wide); err != nil || wide > 0 {
			t.Errorf("%d rows are about more than their folder, %v", wide, err)
		}
		w.l.Close()
		mustExec(t, d.raw(), `UPDATE reading SET low = 0, high = -1`)
		mustExec(t, d.raw(), `INSERT INTO counter (name, value) VALUES ('readings to range', 1)`)
		l := d.open()
		if got := of(l); !reflect.DeepEqual(got, all) {
			t.Errorf("after an earlier version: %v, of all %v", got, all)
		}
		sound(t, l)
	})
}

// A bag that was made is told by its event, with all that tells it from others.
func TestHandedOver(t *testing.T) {
	t.Parallel()
	onEach(t, func(t *testing.T, d database) {
		w := newWorld(t, d)
		f := w.take(masters, "QV-0107/QV-0107_A.wav", "a", true, "studio", "vault")
		h := ledger.HandOver{Item: "QV-0107", To: "/out/QV-0107", Package: "P", Restricted: true, Manifest: "tagmanifest-sha512.txt",
			Digest: fixity.DigestOf(fixity.SHA512, make([]byte, 64)), Files: []ledger.HandedFile{{File: f.ID, Version: 1}}}
		w.tx(func(x *ledger.Tx) error { x.Files.HandedOver(h, "Bo Ferry"); return nil })
		n := 0
		w.view(func(x *ledger.Tx) error {
			return x.Files.HandOvers(func(e ledger.Event) error {
				n++
				if got := ledger.HandOverOf(e); !reflect.DeepEqual(got, h) || e.By != "Bo Ferry" || !e.At.Equal(w.clock) {
					t.Errorf("%+v by %s, %s", got, e.By, e.At)
				}
				return nil
			})
		})
		if n != 1 {
			t.Errorf("%d events", n)
		}
		sound(t, w.l)
	})
}
