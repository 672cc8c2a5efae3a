package ledger

import (
	"encoding/json"
	"fmt"
	"slices"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
)

// Encode is the sound in the form in which a reading carries it (fixity.Result.Heard).
func (s Sound) Encode() (string, error) {
	b, err := json.Marshal(s)
	return string(b), err
}

// heardIn is the sound that a reading carries, nil if nobody listened.
func heardIn(x fixity.Result) (*Sound, error) {
	if x.Heard == "" {
		return nil, nil
	}
	var s Sound
	if err := json.Unmarshal([]byte(x.Heard), &s); err != nil {
		return nil, fmt.Errorf("what was heard in %q: %w", x.Path, err)
	}
	return &s, nil
}

// Transfer is what is known of the sound in bytes of a size under a path. heard is
// false if nobody listened.
func (s Sound) Transfer(role fixity.Role, path string, size int64) (x care.Transfer, heard bool, err error) {
	x = care.Transfer{Role: role, Path: path, Size: size, Notes: s.Notes}
	x.Sound, err = s.Recorded()
	return x, s.JSON != "" || len(s.Notes) > 0, err
}

// Lost says what bytes lost against a version of a file: see care.Lost. now is what
// was heard in them, nil if nobody listened.
func (t Files) Lost(f File, version int64, size int64, now *Sound) (care.Loss, error) {
	c, err := t.change(f, version, size, now)
	return care.Lost(c), err
}

// change is what is known of a version and of bytes that came in its place.
func (t Files) change(f File, version int64, size int64, now *Sound) (c care.Change, err error) {
	v, err := t.Version(f.ID, version)
	if err != nil {
		return c, err
	}
	was, err := t.Sound(f.ID, version)
	if err != nil {
		return c, err
	}
	set, _ := t.l.o.Rules.Set(f.Set)
	if c.Was, c.WasHeard, err = was.Transfer(set.Role, f.Path, v.Size); err != nil {
		return c, err
	}
	if now == nil {
		now = &Sound{}
	}
	c.Now, c.Heard, err = now.Transfer(set.Role, f.Path, size)
	return c, err
}

// hearOf adds to a reading how long its sound is, and, of an access file whose window is
// over, what the change lost: whoever decides whether it was edited on purpose must know.
func (t Files) hearOf(f File, x *fixity.Result, rules care.Given) error {
	now, err := heardIn(*x)
	if err != nil || now == nil {
		return err
	}
	for i := range x.Seen {
		if x.Seen[i].Is == fixity.Held {
			x.Seen[i].For = now.Duration
		}
	}
	if f.Version == 0 || rules.Role != fixity.Access || !rules.Store.Arrivals || rules.Editing {
		return nil
	}
	loss, err := t.lostBy(f, *x)
	x.Seen = append(x.Seen, loss.Facts()...)
	return err
}

// isStump says that what was read of a copy that never held a version can be none: see
// care.Stump. It adds to the reading that this was never right, and what it lacks.
func (t Files) isStump(f File, x *fixity.Result) (bool, error) {
	now, err := heardIn(*x)
	if err != nil {
		return false, err
	}
	c, err := t.change(f, f.Version, x.Size, now)
	if err != nil || !care.Stump(c, x.Anatomy, x.Ranges) {
		return false, err
	}
	x.Seen = append(x.Seen, fixity.Fact{Is: fixity.NeverRight})
	if !slices.ContainsFunc(x.Seen, func(s fixity.Fact) bool { return s.Is == fixity.Lacks }) {
		x.Seen = append(x.Seen, care.LackFacts(care.Lost(c).Lacks)...)
	}
	return true, nil
}

// lostBy says what a reading of an access file inside its window lost, if it is a save.
func (t Files) lostBy(f File, x fixity.Result) (care.Loss, error) {
	if f.Version == 0 {
		return care.Loss{}, nil
	}
	if x.Outcome == fixity.ReadEarlier {
		s, err := t.Sound(f.ID, x.Version)
		if err != nil {
			return care.Loss{}, err
		}
		return t.Lost(f, f.Version, x.Size, &s)
	}
	now, err := heardIn(x)
	if err != nil {
		return care.Loss{}, err
	}
	return t.Lost(f, f.Version, x.Size, now)
}

// Shared counts the 64 KiB blocks of some bytes, and those of them that a version has
// the same at the same place.
func (t Files) Shared(file, version int64, got digest.Sums) (all, shared int, err error) {
	v, err := t.Version(file, version)
	if err != nil {
		return 0, 0, err
	}
	want := digest.Sums{Size: v.Size}
	if want.Blocks, err = t.Blocks(file, version); err != nil {
		return 0, 0, err
	}
	longer := max(len(want.Blocks), len(got.Blocks))
	return len(got.Blocks), longer - damage.FromBlocks(want, got).Blocks, nil
}
