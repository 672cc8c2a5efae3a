package ledger

import (
	"cmp"
	"crypto/sha256"
	"database/sql"
	"encoding/hex"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
)

// Seen is what a person saw of the subject of an act when they decided. Only what
// the decision rests on counts: another reading with the same outcome changes
// nothing.
type Seen struct {
	Finding Finding // its number is 0 if the act is about a file alone
	File    File    // its number is 0 if the finding is about no file under care
	Copies  []Copy  // of the file, on discs too
	Stray   Stray   // what lies there under no one's care; its path is "" if nothing does

	// Listed says, by store, when the file's set was last listed to its end there. It is
	// what a decision may ask, and no part of the mark: a listing alone changes nothing.
	Listed map[string]time.Time
	// Two says of a finding about a disc that two people decide about it (DiscCheck.Two).
	Two bool
}

// SeeFinding reads a finding with its file and every copy of that; fixity.ErrNotFound
// if there is no such finding.
func (t *Tx) SeeFinding(id int64) (Seen, error) {
	f, err := t.Findings.Get(id)
	if err != nil {
		return Seen{}, err
	}
	s := Seen{}
	if f.File != 0 {
		if s, err = t.SeeFile(f.File); err != nil {
			return s, err
		}
	}
	s.Finding = f
	if s.Two, err = t.Discs.TwoPeople(f.Carrier); err != nil {
		return s, err
	}
	if at := f.FoundAt; f.Subject == fixity.OfStray || at != "" {
		if at == "" {
			at = f.Path
		}
		if s.Stray, err = t.Strays.At(f.Store, f.Set, at); errors.Is(err, fixity.ErrNotFound) {
			s.Stray, err = Stray{}, nil
		}
	}
	return s, err
}

// SeeFile reads a file with every copy of it; fixity.ErrNotFound if there is none.
func (t *Tx) SeeFile(id int64) (s Seen, err error) {
	if s.File, err = t.Files.Get(id); err != nil {
		return s, err
	}
	if s.Copies, err = t.Copies.Of(id); err != nil {
		return s, err
	}
	s.Listed = map[string]time.Time{}
	err = t.rows(`SELECT store, listed_complete_at FROM store_set WHERE set_name = $1`, []any{s.File.Set}, func(r *sql.Rows) error {
		var store string
		var at int64
		err := r.Scan(&store, &at)
		s.Listed[store] = fromNanos(at)
		return err
	})
	return s, err
}

// Mark is a short text that is the same as long as nothing that a decision rests on
// has changed. A page carries it in its form.
func (s Seen) Mark() string {
	var b strings.Builder
	if s.Finding.ID != 0 {
		fmt.Fprintln(&b, markOfFinding(s.Finding))
	}
	if s.File.ID != 0 {
		fmt.Fprintln(&b, markOfFile(s.File))
	}
	for _, c := range s.Copies {
		fmt.Fprintf(&b, "copy %q %d %q %s %d %s\n", c.Store, c.Carrier, c.At, c.State, c.Held, c.Wrong)
	}
	if s.Stray.Path != "" {
		fmt.Fprintf(&b, "stray %q %d %d %s\n", s.Stray.Path, s.Stray.Size, s.Stray.ModTime, s.Stray.Digest)
	}
	sum := sha256.Sum256([]byte(b.String()))
	return hex.EncodeToString(sum[:16])
}

// MarkOfSeen is the mark of several at once; the order doesn't matter.
func MarkOfSeen(all []Seen) string {
	var marks []string
	for _, s := range all {
		marks = append(marks, s.Mark())
	}
	slices.Sort(marks)
	sum := sha256.Sum256([]byte(strings.Join(marks, "\n")))
	return hex.EncodeToString(sum[:16])
}

func markOfFinding(f Finding) string {
	return fmt.Sprintf("finding %d %s %s %s %q %q %d %d %q %q %s %s", f.ID, f.Subject, f.Kind, f.Urgency, f.Store, f.Set, f.Carrier, f.File, f.Path, f.FoundAt,
		f.Anatomy, f.Settled)
}

// MarkOfAll is a short text that is the same as long as findings are the same, each as it was.
// The order doesn't matter.
func MarkOfAll(fs []Finding) string {
	fs = slices.Clone(fs)
	slices.SortFunc(fs, func(a, b Finding) int { return cmp.Compare(a.ID, b.ID) })
	h := sha256.New()
	for _, f := range fs {
		fmt.Fprintln(h, markOfFinding(f))
	}
	return hex.EncodeToString(h.Sum(nil)[:16])
}

// Mark is the mark of all open findings of an incident.
func (t Incidents) Mark(incident int64) (string, error) {
	return t.Findings.markWhere(`incident = $1`, incident)
}

// MarkLike is the mark of the open findings of the class of one.
func (t Findings) MarkLike(f Finding) (string, error) {
	return t.markWhere(`store = $1 AND set_name = $2 AND subject = $3 AND kind = $4 AND anatomy = $5`, f.Store, f.Set, string(f.Subject), string(f.Kind), string(f.Anatomy))
}

// markWhere reads no more of the findings than their mark needs: a page shows thousands.
func (t Findings) markWhere(where string, args ...any) (string, error) {
	var fs []Finding
	err := t.rows(`SELECT id, subject, kind, urgency, store, set_name, carrier, file, path, found_at, anatomy FROM finding WHERE settled = '' AND `+where, args, func(r *sql.Rows) error {
		var f Finding
		var path, found []byte
		err := r.Scan(&f.ID, &f.Subject, &f.Kind, &f.Urgency, &f.Store, &f.Set, &f.Carrier, &f.File, &path, &found, &f.Anatomy)
		f.Path, f.FoundAt = string(path), string(found)
		fs = append(fs, f)
		return err
	})
	return MarkOfAll(fs), err
}

func markOfFile(f File) string {
	return fmt.Sprintf("file %d %q %q %d %t %t %t", f.ID, f.Set, f.Path, f.Version, f.Vouched, f.Finished, f.Retired.IsZero())
}

// Still compares what was seen with what is so in this transaction. If it is no
// longer the same the error wraps fixity.ErrChangedMeanwhile and says what is so now.
func (t *Tx) Still(s Seen) error {
	now, err := t.seeAgain(s)
	if err != nil {
		return err
	}
	return s.Compare(now)
}

func (t *Tx) seeAgain(s Seen) (Seen, error) {
	if s.Finding.ID != 0 {
		return t.SeeFinding(s.Finding.ID)
	}
	return t.SeeFile(s.File.ID)
}

// Compare is nil if what is so now is what was seen; else the error wraps
// fixity.ErrChangedMeanwhile and says what is so now.
func (s Seen) Compare(now Seen) error {
	if s.Mark() == now.Mark() {
		return nil
	}
	return fmt.Errorf("%s: %w", now, fixity.ErrChangedMeanwhile)
}

// String says what is so, in words.
func (s Seen) String() string {
	var words []string
	if s.Finding.ID != 0 {
		words = append(words, s.Finding.now())
	}
	if s.File.ID != 0 {
		words = append(words, s.File.now())
	}
	for _, c := range s.Copies {
		name := c.Store
		if c.Disc != "" {
			name = "disc " + c.Disc
		}
		words = append(words, fmt.Sprintf("%s: %s", name, c.State))
	}
	return strings.Join(words, "; ")
}

func (f Finding) now() string {
	if !f.Open() {
		return fmt.Sprintf("finding %d is settled (%s)", f.ID, fixity.Means("settled", string(f.Settled)))
	}
	return fmt.Sprintf("finding %d is now: %s, %s, in %s", f.ID, f.Kind, f.Urgency, f.Store)
}

func (f File) now() string {
	if !f.Retired.IsZero() {
		return fmt.Sprintf("%s/%s is retired", f.Set, DisplayPath(f.Path))
	}
	return fmt.Sprintf("%s/%s has version %d", f.Set, DisplayPath(f.Path), f.Version)
}

// Mark tells a store that an act is about from what it may have become: whether it is in
// use, and which drive it is.
func (s Store) Mark() string {
	sum := sha256.Sum256(fmt.Appendf(nil, "store %q %d %d %q %q", s.Name, nanos(s.Adopted), nanos(s.Retired), s.Identity, s.Holdings))
	return hex.EncodeToString(sum[:16])
}

// StillStore compares a store that was read before an act with what is so in this
// transaction: whether it is in use, and which drive it is. The error wraps
// fixity.ErrChangedMeanwhile.
func (t *Tx) StillStore(was Store) error {
	now, err := t.Stores.Get(was.Name)
	if err != nil {
		return err
	}
	if now.Mark() != was.Mark() {
		state := "is in use"
		switch {
		case !now.Retired.IsZero():
			state = "is retired"
		case now.Adopted.IsZero():
			state = "was not adopted yet"
		}
		return fmt.Errorf("store %s %s, and was adopted or ended since it was looked at: %w", was.Name, state, fixity.ErrChangedMeanwhile)
	}
	return nil
}

// stillFinding is the guard of each act about a finding: what the act was given must
// be what the ledger holds in this transaction.
func (t *Tx) stillFinding(f Finding) error {
	now, err := t.Findings.Get(f.ID)
	if err != nil {
		return err
	}
	if !now.Open() || markOfFinding(now) != markOfFinding(f) {
		return fmt.Errorf("%s: %w", now.now(), fixity.ErrChangedMeanwhile)
	}
	return nil
}

// StillFile compares a file that was read before an act with what is so in this
// transaction, without its copies. The error wraps fixity.ErrChangedMeanwhile.
func (t *Tx) StillFile(f File) error {
	now, err := t.Files.Get(f.ID)
	if err != nil {
		return err
	}
	if markOfFile(now) != markOfFile(f) {
		return fmt.Errorf("%s: %w", now.now(), fixity.ErrChangedMeanwhile)
	}
	return nil
}
