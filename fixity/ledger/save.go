package ledger

import (
	"encoding/json"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/digest"
	"firmus/fixity/policy"
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
func (s Sound) Transfer(role fixity.Role, path string, size int64) (x policy.Transfer, heard bool, err error) {
	x = policy.Transfer{Role: role, Path: path, Size: size, Notes: s.Notes}
	if s.JSON != "" {
		err = json.Unmarshal([]byte(s.JSON), &x.Sound)
	}
	return x, s.JSON != "" || len(s.Notes) > 0, err
}

// Lost says what bytes lost against a version of a file: see policy.Lost. now is what
// was heard in them, nil if nobody listened.
func (t *Tx) Lost(f File, version int64, size int64, now *Sound) (policy.Loss, error) {
	v, err := t.Version(f.ID, version)
	if err != nil {
		return policy.Loss{}, err
	}
	was, err := t.Sound(f.ID, version)
	if err != nil {
		return policy.Loss{}, err
	}
	set, _ := t.l.o.Rules.Set(f.Set)
	var c policy.Change
	if c.Was, c.WasHeard, err = was.Transfer(set.Role, f.Path, v.Size); err != nil {
		return policy.Loss{}, err
	}
	if now == nil {
		now = &Sound{}
	}
	if c.Now, c.Heard, err = now.Transfer(set.Role, f.Path, size); err != nil {
		return policy.Loss{}, err
	}
	return policy.Lost(c), nil
}

// Words says a loss in words, "" if nothing is lost.
func Words(l policy.Loss) string {
	var said []string
	if len(l.Lacks) > 0 {
		said = append(said, lacking(l.Lacks))
	}
	if l.Was > 0 {
		said = append(said, fmt.Sprintf("it is %s long, and was %s", damage.Clock(l.Now.Round(time.Second)), damage.Clock(l.Was.Round(time.Second))))
	}
	return strings.Join(said, "; ")
}

// lostBy says what a reading of an access file inside its window lost, if it is a save.
func (t *Tx) lostBy(f File, x fixity.Result) (policy.Loss, error) {
	if f.Version == 0 {
		return policy.Loss{}, nil
	}
	if x.Outcome == fixity.ReadEarlier {
		s, err := t.Sound(f.ID, x.Version)
		if err != nil {
			return policy.Loss{}, err
		}
		return t.Lost(f, f.Version, x.Size, &s)
	}
	now, err := heardIn(x)
	if err != nil {
		return policy.Loss{}, err
	}
	return t.Lost(f, f.Version, x.Size, now)
}

// Shared counts the 64 KiB blocks of some bytes, and those of them that a version has
// the same at the same place.
func (t *Tx) Shared(file, version int64, got digest.Sums) (all, shared int, err error) {
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
