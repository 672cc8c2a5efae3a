package ledger

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// CommitServiceReports holds what a service reports of its files against their versions.
// Only what differs from what is known is written: for the rest, the time of the
// set's last complete listing is the time of the report.
//
// A report shows what was exchanged, not what has rotted: one that agrees never
// ends a finding that a reading opened, and one that doesn't makes the file due, so
// that a reading says what it is. One by an algorithm that nobody asked for when the version
// was read says nothing; the next reading that proves the version finds that digest out.
func (r Record) CommitServiceReports(ctx context.Context, s fixity.Shard, reports []fixity.ServiceReport) error {
	type change struct {
		was, now Copy
	}
	var changes []change
	type question struct {
		file int64
		alg  fixity.Algorithm
	}
	var asked []question // digests that aren't known yet
	if err := r.l.View(ctx, func(t *Tx) error {
		for _, x := range reports {
			was, now, says, err := t.Audits.reported(s, x, r.now())
			if err != nil {
				return fmt.Errorf("%q in %s: %w", x.Path, s.Store, err)
			}
			if !says {
				asked = append(asked, question{was.File, x.Digest.Algorithm})
			}
			if was != now {
				changes = append(changes, change{was, now})
			}
		}
		return nil
	}); err != nil || len(changes) == 0 && len(asked) == 0 {
		return err
	}
	return r.l.Tx(ctx, r.now(), func(t *Tx) error {
		for _, q := range asked {
			if err := t.Files.ask(q.file, q.alg); err != nil {
				return err
			}
		}
		for _, c := range changes {
			now, err := t.Copies.At(c.was.Store, c.was.Set, c.was.At)
			if err != nil || now != c.was {
				if err == nil || errors.Is(err, fixity.ErrNotFound) {
					continue // it has changed meanwhile; the next listing tells
				}
				return err
			}
			if err := t.Copies.Put(c.was, c.now); err != nil {
				return err
			}
			if c.was.State == c.now.State {
				continue
			}
			if err := t.Findings.Rejudge(c.now.File, s.Audit, r.by, "", nil); err != nil {
				return err
			}
		}
		return nil
	})
}

// reported is a copy before and after a report of it; equal if nothing is new. says is
// false if the report says nothing as long as the version has no digest of its kind.
func (t Audits) reported(s fixity.Shard, x fixity.ServiceReport, now time.Time) (was, c Copy, says bool, err error) {
	was, err = t.Copies.At(s.Store, s.Set, x.Path)
	if errors.Is(err, fixity.ErrNotFound) {
		return Copy{}, Copy{}, true, nil // an act has dealt with it meanwhile
	}
	if err != nil {
		return was, was, true, err
	}
	f, err := t.Files.Get(was.File)
	if err != nil {
		return was, was, true, err
	}
	n, basis, err := t.versionReported(f.ID, x)
	if err != nil {
		return was, was, true, err
	}
	rules := t.Copies.careRules(f, was.Store)
	rules.Now = now.UTC()
	if !basis.Says() { // the listing's sign is all there is
		c, _ = care.After(was, care.Shown{Size: x.Size, ModTime: x.ModTime, InodeAt: x.InodeAt, Basis: basis}, rules)
		return was, c, basis != fixity.NotYet, nil
	}
	c, _ = care.After(was, care.ServiceReport{Version: n, Size: x.Size, ModTime: x.ModTime, InodeAt: x.InodeAt, Basis: basis}, rules)
	return was, c, true, nil
}

// versionReported is the version of a file that has the reported digest, the newest
// first; 0 if none has. The basis is what the report comes to: NotYet if the digest is of an
// algorithm that nobody asked for when a version of its size was read, BySign if it is no
// evidence.
func (t Audits) versionReported(file int64, x fixity.ServiceReport) (n int64, basis fixity.Basis, err error) {
	vs, err := t.Files.Versions(file)
	if err != nil {
		return 0, "", err
	}
	basis = x.Basis
	if basis.Weak() {
		basis = fixity.BySign
	}
	for i := len(vs) - 1; i >= 0; i-- {
		if vs[i].Size != x.Size {
			continue
		}
		known := false
		for _, d := range append([]fixity.Digest{vs[i].SHA256, vs[i].MD5, vs[i].BLAKE3}, vs[i].Checksums...) {
			if d == x.Digest {
				return vs[i].N, x.Basis, nil
			}
			known = known || d.Algorithm == x.Digest.Algorithm
		}
		if !known {
			basis = fixity.NotYet
		}
	}
	return 0, basis, nil
}

// ask has a digest of a file's versions found out by their next reading.
func (t Files) ask(file int64, alg fixity.Algorithm) error {
	switch alg {
	case fixity.SHA256, fixity.BLAKE3: // every version has them
		return nil
	case fixity.MD5:
		return t.askMD5(file)
	}
	// A service that changes its mind about the size of parts each time isn't followed for ever.
	var n int64
	like := "%" + string(alg) + ":%"
	if err := t.row(`SELECT count(*) FROM version WHERE file = $1 AND checksums NOT LIKE $2 AND length(checksums) < $3`, []any{file, like, wordsKept}, &n); err != nil || n == 0 {
		return err
	}
	_, err := t.exec(`UPDATE version SET checksums = checksums || $2 WHERE file = $1 AND checksums NOT LIKE $3 AND length(checksums) < $4`, file, string(alg)+": ", like, wordsKept)
	return err
}

// wordsKept is how long the words of a version may be before another is asked for.
const wordsKept = 1000

// checksums are those in the words of a version, and the first algorithm that is asked for.
func checksums(words string) (known []fixity.Digest, asked fixity.Algorithm) {
	for _, w := range strings.Fields(words) {
		if d := fixity.DigestIn(w); !d.IsZero() {
			known = append(known, d)
		} else if asked == "" {
			asked = fixity.Algorithm(strings.TrimSuffix(w, ":"))
		}
	}
	return known, asked
}

// putSums keeps what was asked for of a version that was read, as far as it is among sums.
func (t Files) putSums(file, n int64, sums []fixity.Digest) error {
	for _, d := range sums {
		if d.Algorithm == fixity.BLAKE3 || d.Algorithm == fixity.SHA256 || d.Algorithm == fixity.MD5 {
			continue // they have columns of their own
		}
		if _, err := t.exec(`UPDATE version SET checksums = replace(checksums, $3, $4) WHERE file = $1 AND n = $2`, file, n, string(d.Algorithm)+": ", d.String()+" "); err != nil {
			return err
		}
	}
	return t.putMD5(file, n, sums)
}

// A version's MD5 is NULL until a service reports a file by it; then it has no bytes until
// the next reading that proves the version.

func (t Files) askMD5(file int64) error {
	var n int64
	if err := t.row(`SELECT count(*) FROM version WHERE file = $1 AND md5 IS NULL`, []any{file}, &n); err != nil || n == 0 {
		return err
	}
	_, err := t.exec(`UPDATE version SET md5 = $2 WHERE file = $1 AND md5 IS NULL`, file, []byte{})
	return err
}

// putMD5 keeps the MD5 of a version that was read, if it is asked for and among sums.
func (t Files) putMD5(file, n int64, sums []fixity.Digest) error {
	for _, d := range sums {
		if d.Algorithm == fixity.MD5 {
			_, err := t.exec(`UPDATE version SET md5 = $3 WHERE file = $1 AND n = $2 AND length(md5) = 0`, file, n, d.Bytes())
			return err
		}
	}
	return nil
}

// Distrust says that an audit's listing of a set did not show everything after all:
// nothing of it may be called missing, and nothing be forgotten.
func (t Audits) Distrust(audit int64, set, why string) error {
	_, err := t.exec(`UPDATE shard SET complete = 0, trouble = CASE WHEN top = $4 THEN $3 ELSE trouble END WHERE audit = $1 AND set_name = $2`, audit, set, why, []byte{})
	return err
}

// Retell changes what a finding tells of how it was seen; not what it is.
func (t Findings) Retell(f Finding) error { return t.put(f) }
