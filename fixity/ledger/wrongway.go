package ledger

import (
	"time"

	"firmus/fixity"
)

// Facts are what a finding about a copy tells besides its verdict. They are stored as
// JSON under these names: never change one.
type Facts struct {
	// Wrong are the bytes of no known version that were seen there last, by their BLAKE3.
	Wrong string `json:"wrong,omitempty"`
	// IntactAt is when the copy was last known to be intact before; zero if that isn't known.
	IntactAt time.Time `json:"intact_at,omitzero"`
	// WrongWay is the store whose wrong bytes of the same file these are, if this copy was
	// intact once and the two stores are independent: a damaged copy may have been copied
	// over a good one. "" if nothing says so.
	WrongWay string `json:"wrong_way,omitempty"`
}

// WrongWay is the store whose wrong bytes a once intact copy holds now; "" if the finding
// doesn't tell of that.
func (f Finding) WrongWay() string {
	if fixity.State(f.Kind) != fixity.Altered {
		return ""
	}
	return f.Facts.WrongWay
}

// wrongBytes brings a finding's facts up to the wrong bytes that were just seen in a copy.
// They stay as they are while the same bytes are seen again, and once the damage is gone:
// then they say what it was.
func (t *Tx) wrongBytes(fd *Finding, x Copy, seen *seenAs, copies []Copy) error {
	if x.Carrier != 0 || x.State != fixity.Altered || x.Wrong.IsZero() {
		return nil
	}
	if fd.Facts.Wrong == x.Wrong.Sum {
		return nil
	}
	if !seen.intactAt.IsZero() {
		fd.Facts.IntactAt = seen.intactAt
	}
	fd.Facts.Wrong, fd.Facts.WrongWay = x.Wrong.Sum, ""
	if x.Held == 0 || x.Size == 0 {
		return nil // it never was intact here; or it is empty, and that has many causes
	}
	var err error
	fd.Facts.WrongWay, err = t.sameWrong(x, copies)
	return err
}

// sameWrong is an independent store in which the wrong bytes of a copy were seen before,
// now or in the past; "" if there is none. What a program keeps in step is told as
// carried over instead.
func (t *Tx) sameWrong(x Copy, copies []Copy) (string, error) {
	for _, c := range copies {
		if c.Carrier == 0 && c.State == fixity.Altered && c.Wrong == x.Wrong && t.l.o.Rules.Independent(c.Store, x.Store) {
			return c.Store, nil
		}
	}
	fs, err := t.FindingsOf(x.File)
	if err != nil {
		return "", err
	}
	for _, f := range fs {
		if f.Carrier == 0 && f.Facts.Wrong == x.Wrong.Sum && t.l.o.Rules.Independent(f.Store, x.Store) {
			return f.Store, nil
		}
	}
	return "", nil
}

// lastIntact is when a copy was last known to be intact: read, or else reported.
func lastIntact(c Copy) time.Time {
	switch {
	case c.Read.OK && !c.Read.At.IsZero():
		return c.Read.At
	case c.Reported.OK && !c.State.Damaged():
		return c.Reported.At
	}
	return time.Time{}
}
