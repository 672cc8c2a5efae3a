package ledger

import (
	"errors"
	"time"

	"firmus/fixity"
	"firmus/fixity/pair"
	"firmus/fixity/policy"
)

// ofPlace says that a pair shows where the copy has its place, not that it is misplaced.
func ofPlace(w pair.Why) bool {
	return w == pair.Form || w == pair.Case || w == pair.Filed || w == pair.Bytes
}

// misplace is a copy whose bytes were found elsewhere. quota is of the bytes that may
// be read because it is their turn.
func (t *Tx) misplace(a Audit, was Copy, f File, p pair.Pair, size int64, quota *policy.Quota, seen *seenAs) (Copy, error) {
	c, due := was, false
	c.State, seen.foundAt = fixity.Misplaced, p.At
	switch p.Why {
	case pair.Read:
		c.Held = f.Version
		seen.detail = "read where it lies: its bytes are the right ones"
	case pair.Reported:
		// The service's word is no reading: that comes in its turn, without a download
		// for each that was moved.
		c.Held = f.Version
		if !c.Reported.OK {
			c.Reported = fixity.Evidence{Strength: fixity.Reported, At: t.now, OK: true}
			if c.Read.At.IsZero() {
				rule, _ := t.l.o.Rules.Store(a.Store)
				c.Due = firstReading(c.File, t.now, rule.ReadWithin)
			}
		}
		due = a.Full || nanos(c.Due) < 0 || !c.Due.After(t.now) && quota.Take(size)
		seen.detail = "the service reports the right digest of what lies there; it will be read where it lies in its turn"
	default:
		due = true
		seen.detail = "found by size, time and name; it will be read where it lies to prove it"
	}
	_, err := t.exec(`UPDATE stray SET file = $5, due = $6 WHERE store = $1 AND set_name = $2 AND top = $3 AND at = $4`,
		a.Store, was.Set, []byte(top(p.At)), []byte(p.At), was.File, b2i(due))
	return c, err
}

// moveCopy gives a copy the place where it was found, which is one that it may have
// in the store: a rename that was accepted in the arrivals store has now been
// carried out here, or the name is spelled or filed in another way. What the bytes
// there are is said by what is known of them, or read at once.
func (t *Tx) moveCopy(a Audit, was Copy, p pair.Pair, by string) error {
	st, err := t.StrayAt(a.Store, was.Set, p.At)
	if err != nil {
		return err
	}
	f, err := t.File(was.File)
	if err != nil {
		return err
	}
	var want []byte
	if err := t.row(`SELECT blake3 FROM version WHERE file = $1 AND n = $2`, []any{f.ID, f.Version}, &want); err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return err
	}
	c := was
	c.At = p.At
	// A volume or service that spells a name in its own way has not touched the bytes.
	same := st.Size == was.Size && st.ModTime == was.ModTime && (p.Why == pair.Form || p.Why == pair.Case)
	switch {
	case !st.Digest.IsZero():
		c.Size, c.ModTime, c.Due = st.Size, st.ModTime, time.Time{}
		if st.Digest == fixity.DigestOf(fixity.BLAKE3, want) {
			c.State, c.Held, c.Wrong = fixity.Intact, f.Version, fixity.Digest{}
		}
	case !st.Reported.IsZero():
		if c, err = t.withReport(c, f, fixity.Report{Path: p.At, Size: st.Size, ModTime: st.ModTime, Digest: st.Reported}, t.now); err != nil {
			return err
		}
		c.Size, c.ModTime = st.Size, st.ModTime
	case !same || was.State == fixity.Missing || was.State == fixity.Misplaced:
		c.Size, c.ModTime, c.Due = st.Size, st.ModTime, time.Time{}
	}
	if err := t.DropStray(a.Store, was.Set, p.At); err != nil {
		return err
	}
	if err := t.PutCopy(was, c); err != nil {
		return err
	}
	return t.Rejudge(was.File, a.ID, by, a.Store, &seenAs{})
}

// proofQuota is what is left of the bytes that may be read of a store in a day, for
// strays that are to be read in their turn.
func (t *Tx) proofQuota(a Audit) (policy.Quota, error) {
	rule, _ := t.l.o.Rules.Store(a.Store)
	if rule.ReadADay <= 0 {
		return policy.Quota{}, nil
	}
	used, err := t.ServiceRead(a.Store, t.now)
	if err != nil {
		return policy.Quota{}, err
	}
	due, err := t.dueStrayBytes(a.Store)
	return policy.Quota{ADay: rule.ReadADay, Used: used + due}, err
}

// dueStrayBytes are the bytes of a store's strays that are to be read.
func (t *Tx) dueStrayBytes(store string) (n int64, err error) {
	err = t.row(`SELECT CAST(coalesce(sum(size), 0) AS BIGINT) FROM stray WHERE store = $1 AND due = 1`, []any{store}, &n)
	return n, err
}
