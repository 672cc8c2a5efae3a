package ledger

import (
	"time"

	"firmus/fixity"
)

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
func (t Findings) wrongBytes(fd *Finding, x Copy, seen *seenAs, copies []Copy) error {
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
func (t Findings) sameWrong(x Copy, copies []Copy) (string, error) {
	for _, c := range copies {
		if c.Carrier == 0 && c.State == fixity.Altered && c.Wrong == x.Wrong && t.l.o.Rules.Independent(c.Store, x.Store) {
			return c.Store, nil
		}
	}
	fs, err := t.Of(x.File)
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
