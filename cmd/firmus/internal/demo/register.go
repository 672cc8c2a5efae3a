package demo

import (
	"bytes"
	"fmt"
	"path/filepath"
	"time"

	"firmus/cmd/firmus/internal/sheet"
)

// Register is the survey's own log, below the demo's folder.
const Register = "register.xlsx"

// What it says of some reels: one that can't be transferred again, one whose length is
// mistyped, and those that nobody has transferred.
const (
	Once     = "QV-0121"
	Mistyped = "QV-0106"
	Waiting  = "QV-0116"
)

// registerHead are its columns.
var registerHead = []string{"Number", "Side", "Title", "Performers", "Recorded", "Length", "Discs", "Box", "Base", "Condition", "Play", "Sooner", "Notes"}

// registerRows are a row a side, as a person keeps them. QV-0122 has none: nobody wrote the
// children's songs down.
func registerRows() (rows [][]any) {
	for _, r := range reels {
		at := map[string]recording{}
		for _, x := range r.recordings() {
			if x.set == masters {
				at[x.side.letter] = x
			}
		}
		for _, s := range r.sides {
			length, disc, notes := fmt.Sprintf("0:%02d", (at[s.letter].length+500)/1000), "", ""
			switch {
			case r.number == Mistyped && s.letter == "B":
				length = "31:52"
			case r.number == Burned:
				disc = "QD-0001"
			}
			rows = append(rows, []any{r.number, s.letter, s.title, r.performer, r.recorded, length, disc, fmt.Sprint(1 + (r.n() / 6)), "acetate", "good", "yes", "", notes})
		}
	}
	said := func(number, side, title, performer, recorded, disc, condition, play, sooner, notes string) {
		rows = append(rows, []any{number, side, title, performer, recorded, "", disc, "3", "polyester", condition, play, sooner, notes})
	}
	said(newReel.number, "A", newReel.sides[0].title, newReel.performer, newReel.recorded, "", "good", "yes", "", "")
	said(Waiting, "A", "The Weir Keeper's Answer", "Osric Fallowgate", "ca. 1956", "", "good", "yes", "", "to be transferred")
	said(Waiting, "B", "Candles for Emberley", "Osric Fallowgate", "ca. 1956", "", "good", "yes", "", "to be transferred")
	said("QV-0117", "A", "Nine Stiles Home", "Dorcas Reedwhistle", "n.d.", "", "smells of vinegar", "yes", "yes", "")
	said("QV-0118", "A", "The Deaf Bellfounder", "", "1956?", "", "broken in many places", "blocked", "", "")
	said("QV-0120", "A", "The Lamp in Emberley Window", "Philippa Dunnock", "1963-05-11", "", "good", "yes", "", "")
	said("QV-0120", "B", "Talk by the Fire", "Philippa Dunnock", "1963-05-11", "", "good", "yes", "", "")
	said(Once, "A", "The Drowned Lane", "Old Perrin Oatcake", "1951", "", "sheds oxide", "do not play again", "", "transferred in one pass")
	said(Once, "B", "Bread before Bells", "Old Perrin Oatcake", "1951", "", "sheds oxide", "do not play again", "", "transferred in one pass")
	said("QV-0123", "A", evening, dancers, "1969-09-28", "QD-0002", "good", "yes", "", "")
	return rows
}

// putRegister writes the register.
func putRegister(dir string, now time.Time) error {
	var b bytes.Buffer
	if err := sheet.XLSX(&b, []sheet.Grid{{Name: "Reels", Head: registerHead, Rows: registerRows()}}); err != nil {
		return err
	}
	return put(filepath.Join(dir, Register), b.Bytes(), past(now, 48*time.Hour))
}
