package ledger

import (
	"database/sql"
	"encoding/json"
	"time"

	"firmus/fixity"
	"firmus/fixity/essence/sound"
)

// Sound is what is known of the sound in a version's file.
type Sound struct {
	JSON     string        // as package essence gives it; "" if it was not looked for
	Samples  fixity.Digest // of the samples alone; zero if they can't be told
	Duration time.Duration
	Notes    []sound.Note

	heard *sound.Sound // what JSON says, of one that was just heard; nil: it must be read
}

// SoundOf is what was heard in a file, with notes on it.
func SoundOf(s sound.Sound, notes []sound.Note) (Sound, error) {
	out := Sound{Samples: s.Samples, Duration: s.Duration, Notes: notes}
	if s.Format == sound.Opaque {
		return out, nil
	}
	out.heard = &s
	kept := s
	kept.Samples = fixity.Digest{} // it has a column of its own
	b, err := json.Marshal(kept)
	out.JSON = string(b)
	return out, err
}

// Recorded is how the sound is recorded; the zero value where it was not looked for.
func (s Sound) Recorded() (x sound.Sound, err error) {
	switch {
	case s.heard != nil:
		return *s.heard, nil
	case s.JSON == "":
		return x, nil
	}
	err = json.Unmarshal([]byte(s.JSON), &x)
	x.Samples = s.Samples
	return x, err
}

// Sound reads what is known of the sound in a version.
func (t Files) Sound(file, n int64) (Sound, error) {
	var s Sound
	var samples []byte
	var d sql.NullInt64
	if err := t.row(`SELECT sound, samples, duration FROM version WHERE file = $1 AND n = $2`, []any{file, n}, &s.JSON, &samples, &d); err != nil {
		return Sound{}, err
	}
	s.Duration = time.Duration(d.Int64)
	if len(samples) > 0 {
		s.Samples = fixity.DigestOf(fixity.BLAKE3, samples)
	}
	err := t.rows(`SELECT code, at, length, since, until, count FROM note WHERE file = $1 AND n = $2 ORDER BY seq`, []any{file, n}, func(r *sql.Rows) error {
		var x sound.Note
		var code string
		var since, until int64
		err := r.Scan(&code, &x.At, &x.Length, &since, &until, &x.Count)
		x.Code, x.From, x.To = sound.Code(code), time.Duration(since), time.Duration(until)
		s.Notes = append(s.Notes, x)
		return err
	})
	return s, err
}

// Examined refines the finding about an altered copy by what comparing it with an
// intact one, byte by byte, has shown.
func (t Findings) Examined(f Finding, anatomy fixity.Anatomy, ranges []fixity.Range, more bool, facts []fixity.Fact, by string) error {
	return t.Rejudge(f.File, f.Audit, by, f.Store, &seenAs{anatomy: anatomy, ranges: ranges, more: more, facts: facts})
}
