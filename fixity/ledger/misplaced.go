package ledger

import (
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/pair"
)

// ofPlace says that a pair shows where the copy has its place, not that it is misplaced.
func ofPlace(w pair.Why) bool {
	return w == pair.Form || w == pair.Case || w == pair.Filed || w == pair.Bytes
}

// misplace is a copy whose bytes were found elsewhere. quota is of the bytes that may
// be read because it is their turn.
func (t Audits) misplace(a Audit, was Copy, f File, p pair.Pair, size int64, quota *care.Quota, seen *seenAs) (Copy, error) {
	proof := care.BySign
	switch p.Why {
	case pair.Read:
		proof = care.ByBytes
	case pair.Reported:
		proof = care.ByReport
	}
	c, _ := care.After(was, care.Elsewhere{Proof: proof}, t.Copies.careRules(f, a.Store))
	due := false
	seen.foundAt = p.At
	switch proof {
	case care.ByBytes:
		seen.facts = []fixity.Fact{{Is: fixity.BytesRight}}
	case care.ByReport:
		// The service's word is no reading: that comes in its turn, without a download
		// for each that was moved.
		due = a.Full || nanos(c.Due) < 0 || !c.Due.After(t.now) && quota.Take(size)
		seen.facts = []fixity.Fact{{Is: fixity.SaidRight}}
	default:
		due = true
		seen.facts = []fixity.Fact{{Is: fixity.LooksRight}}
	}
	_, err := t.exec(`UPDATE stray SET file = $5, due = $6 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		a.Store, was.Set, []byte(top(p.At)), []byte(p.At), was.File, b2i(due))
	return c, err
}

// moveCopy gives a copy the place where it was found, which is one that it may have
// in the store: a rename that was accepted in the arrivals store has now been
// carried out here, or the name is spelled or filed in another way. What the bytes
// there are is said by what is known of them, or read at once.
func (t Audits) moveCopy(a Audit, was Copy, p pair.Pair, by string) error {
	st, err := t.Strays.At(a.Store, was.Set, p.At)
	if err != nil {
		return err
	}
	f, err := t.Files.Get(was.File)
	if err != nil {
		return err
	}
	// A volume or service that spells a name in its own way has not touched the bytes.
	there := care.PlaceChanged{At: p.At, Size: st.Size, ModTime: st.ModTime, Spelled: p.Why == pair.Form || p.Why == pair.Case}
	version, known, err := t.holds(f, st)
	if err != nil {
		return err
	}
	switch {
	case !st.Digest.IsZero():
		there.Read, there.Version = true, version
	case known:
		there.Report = &care.ServiceReport{Version: version, Size: st.Size, ModTime: st.ModTime, Basis: fixity.BasisOf(st.Reported.Algorithm)}
	}
	c, _ := care.After(was, there, t.Copies.careRules(f, a.Store))
	if err := t.Strays.Drop(a.Store, was.Set, p.At); err != nil {
		return err
	}
	if err := t.Copies.Put(was, c); err != nil {
		return err
	}
	return t.Findings.Rejudge(was.File, a.ID, by, a.Store, &seenAs{})
}

// proofQuota is what is left of the bytes that may be read of a store in a day, for
// strays that are to be read in their turn.
func (t Audits) proofQuota(a Audit) (care.Quota, error) {
	rule, _ := t.l.o.Rules.Store(a.Store)
	if rule.ReadADay <= 0 {
		return care.Quota{}, nil
	}
	used, err := t.Services.ReadSince(a.Store, t.now)
	if err != nil {
		return care.Quota{}, err
	}
	due, err := t.Strays.dueBytes(a.Store)
	return care.Quota{ADay: rule.ReadADay, Used: used + due}, err
}

// dueBytes are the bytes of a store's strays that are to be read.
func (t Strays) dueBytes(store string) (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(size), 0) AS BIGINT) FROM stray WHERE store = $1 AND due = 1`, []any{store}, &n)
	return n, err
}
