package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// WrongWay says in words that a copy may have been copied the wrong way round, and what is
// left; "" if the finding doesn't tell of that.
func (m Matter) WrongWay(f ledger.Finding) string {
	other := f.WrongWay()
	if other == "" {
		return ""
	}
	was := "was intact once"
	if !f.Facts.IntactAt.IsZero() {
		was = "was intact on " + m.when(f.Facts.IntactAt)
	}
	return fmt.Sprintf("The copy on the %s %s. It now holds the same damaged bytes as the copy on the %s: it may have been copied the wrong way round. %s",
		m.name(f.Store), was, m.name(other), m.left(f))
}

// left says where copies are that are still intact.
func (m Matter) left(f ledger.Finding) string {
	if len(f.IntactIn) == 0 && len(f.Facts.SameBytes) > 0 {
		return "No copy of it is known to be intact any more, but another file with the same checksum is."
	}
	if len(f.IntactIn) == 0 {
		return "No copy is known to be intact any more."
	}
	s := "Still intact: the copy on the " + fixity.And(m.names(Donors(f, m.Rules)))
	if good := sure(m.donors(f)); len(good) > 0 {
		return s + ", last read " + m.when(good[0].copy.Read.At) + "."
	}
	return s + ", as reported by the service and read by nobody."
}
