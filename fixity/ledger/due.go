package ledger

import (
	"bytes"
	"context"
	"database/sql"
	"slices"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Due is the next page, in path order after the shard's cursor, of what should be
// read in the shard's phase: strays whose digest is wanted; and in the read phase
// copies that are due, or all that this audit has not read yet if it is full. In the phase
// before that, it is those of them that can't be transferred again.
// What the listing didn't show is left out.
func (r Record) Due(ctx context.Context, s fixity.Shard, limit int) (out []fixity.Due, err error) {
	now := r.now()
	err = r.l.View(ctx, func(t *Tx) error {
		if s.Phase != fixity.PhaseFirst {
			if err := t.Audits.dueStrays(s, limit, &out); err != nil {
				return err
			}
			if err := t.Audits.mayBe(s, out); err != nil || s.Phase == fixity.PhaseProve {
				return err
			}
		}
		var copies []fixity.Due
		if err := t.Audits.dueCopies(s, now, limit, &copies); err != nil {
			return err
		}
		out = mergeByPath(out, copies, limit)
		for i := range out {
			if err := t.Audits.wanted(&out[i]); err != nil {
				return err
			}
		}
		return nil
	})
	return out, err
}

func (t Audits) dueStrays(s fixity.Shard, limit int, out *[]fixity.Due) error {
	return t.rows(`SELECT s.at, s.size, s.mtime, v.n, v.size, v.blake3 FROM stray s
		LEFT JOIN file f ON f.id = CASE WHEN s.file <> 0 THEN s.file ELSE (SELECT x.id FROM file x WHERE x.set_name = s.set_name AND x.path = s.at AND x.retired_at = 0) END
		LEFT JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE s.store = $1 AND s.set_name = $2 AND s.top = $3 AND s.at > $4 AND s.due = 1 ORDER BY s.at LIMIT $5`,
		[]any{s.Store, s.Set, []byte(s.Top), []byte(s.Cursor), limit}, func(r *sql.Rows) error {
			var at, b3 []byte
			var n, size sql.NullInt64
			var d fixity.Due
			err := r.Scan(&at, &d.Size, &d.ModTime, &n, &size, &b3)
			d.Path = string(at)
			if n.Valid {
				d.Earlier = []fixity.Wanted{{N: n.Int64, Size: size.Int64, Digest: fixity.DigestOf(fixity.BLAKE3, b3)}}
			}
			*out = append(*out, d)
			return err
		})
}

// mayBe gives strays that are proposed as no file's place, as Earlier, the versions
// of the files of their size that the audit's listing lacks: a reading that shows
// one of them needs no second one.
func (t Audits) mayBe(s fixity.Shard, strays []fixity.Due) error {
	const most = 64 // of one size; beyond that a stray is read twice
	bySize := map[int64][]fixity.Wanted{}
	for _, d := range strays {
		if d.Earlier == nil {
			bySize[d.Size] = nil
		}
	}
	if len(bySize) == 0 {
		return nil
	}
	if err := t.rows(`SELECT v.n, v.size, v.blake3 FROM difference d JOIN file f ON f.id = d.file JOIN version v ON v.file = f.id AND v.n = f.version
		WHERE d.audit = $1 AND d.set_name = $2 AND d.file <> 0`, []any{s.Audit, s.Set}, func(r *sql.Rows) error {
		var w fixity.Wanted
		var b3 []byte
		if err := r.Scan(&w.N, &w.Size, &b3); err != nil {
			return err
		}
		if have, ok := bySize[w.Size]; ok && len(have) < most {
			w.Digest = fixity.DigestOf(fixity.BLAKE3, b3)
			bySize[w.Size] = append(have, w)
		}
		return nil
	}); err != nil {
		return err
	}
	for i := range strays {
		if strays[i].Earlier == nil {
			strays[i].Earlier = bySize[strays[i].Size]
		}
	}
	return nil
}

// turn is care.TurnOf for an audit, as it is asked for: up to from, and beyond to.
func (t Audits) turn(a Audit, now time.Time) (from, to int64) {
	rule, _ := t.l.o.Rules.Store(a.Store)
	x := care.TurnOf(a.Full, a.Kind == FollowUp, rule.ReadWithin, now)
	return nanos(x.UpTo), nanos(x.Beyond)
}

// endIdle ends the read phase of the shards in which nothing is due: of thousands
// of folders that is most in most nights, and a transaction for each would take
// longer than all the reading.
func (t Audits) endIdle(a Audit) error {
	if a.Full {
		return nil
	}
	from, to := t.turn(a, t.now)
	may, err := t.Portion(a.ID)
	if err != nil {
		return err
	}
	from, last := min(from, may.due), max(min(may.due, nanos(care.Never)-1), to)
	_, err = t.exec(`UPDATE shard SET phase = $2, attempt = attempt + 1 WHERE audit = $1 AND phase = $3
		AND NOT EXISTS (SELECT 1 FROM stray s WHERE s.store = shard.store AND s.set_name = shard.set_name AND s.top = shard.top AND s.due = 1)
		AND NOT EXISTS (SELECT 1 FROM instance i WHERE i.store = shard.store AND i.set_name = shard.set_name AND i.carrier = 0 AND i.top = shard.top
			AND (i.due_at <= $4 OR i.due_at > $5 AND i.due_at <= $6))`,
		a.ID, string(fixity.PhaseDone), string(fixity.PhaseRead), from, to, last)
	return err
}

func (t Audits) dueCopies(s fixity.Shard, now time.Time, limit int, out *[]fixity.Due) error {
	if !s.Counts {
		return nil
	}
	a, err := t.Get(s.Audit)
	if err != nil {
		return err
	}
	from, to := t.turn(a, now)
	may, err := t.Portion(a.ID)
	if err != nil {
		return err
	}
	ahead, err := t.mayRunAhead(a, now)
	if err != nil {
		return err
	}
	of, by, bound := `instance i WHERE`, `i.at`, []any{may.due, may.file}
	which := ` AND (i.due_at <= 0 OR i.due_at < $13 OR i.due_at = $13 AND i.file <= $14)`
	if s.Phase == fixity.PhaseFirst {
		of, by = `read_first p CROSS JOIN instance i WHERE p.audit = $6 AND p.set_name = $2 AND p.top = $3 AND p.at >= $12 AND i.at = p.at AND`, `p.at`
		which, bound = ``, nil // it was kept when they were put first
	}
	if !ahead {
		which += ` AND i.due_at > 0`
	}
	low, high := below(s.Under)
	if s.Cursor > string(low) {
		low = []byte(s.Cursor)
	}
	// $12 bounds what the alternatives after it don't: without it a page is sought
	// from the folder's beginning.
	itself := underItself(s)
	start := low
	if len(itself) > 0 {
		start = slices.MinFunc([][]byte{low, itself}, bytes.Compare)
	}
	if a.Kind == FollowUp {
		which += ` AND i.size >= 0`
	}
	return t.rows(`SELECT i.at, i.file, i.size, i.mtime, i.wrong FROM `+of+` i.store = $1 AND i.set_name = $2 AND i.carrier = 0 AND i.top = $3 AND i.at >= $12 AND (i.at > $4 AND i.at < $5 OR i.at = $10)
			AND i.read_audit <> $6`+which+` AND (i.due_at <= $7 OR i.due_at > $8 AND i.due_at < $11)
			AND NOT EXISTS (SELECT 1 FROM difference d WHERE d.audit = $6 AND d.set_name = i.set_name AND d.top = i.top AND d.at = i.at)
		ORDER BY `+by+` LIMIT $9`,
		append([]any{s.Store, s.Set, []byte(s.Top), low, high, s.Audit, from, to, limit, itself, nanos(care.Never), start}, bound...), func(r *sql.Rows) error {
			var at, wrong []byte
			var d fixity.Due
			if err := r.Scan(&at, &d.File, &d.Size, &d.ModTime, &wrong); err != nil {
				return err
			}
			d.Path = string(at)
			if len(wrong) > 0 {
				d.WasWrong = fixity.DigestOf(fixity.BLAKE3, wrong)
			}
			*out = append(*out, d)
			return nil
		})
}

// underItself is the path that an audit's folder is itself, if the cursor has not
// passed it: --under may name one file.
func underItself(s fixity.Shard) []byte {
	if s.Under != "" && s.Cursor < s.Under {
		return []byte(s.Under)
	}
	return []byte{}
}

func mergeByPath(a, b []fixity.Due, limit int) []fixity.Due {
	var out []fixity.Due
	for len(out) < limit && (len(a) > 0 || len(b) > 0) {
		if len(b) == 0 || len(a) > 0 && a[0].Path < b[0].Path {
			out, a = append(out, a[0]), a[1:]
		} else {
			out, b = append(out, b[0]), b[1:]
		}
	}
	return out
}

func (t Audits) wanted(d *fixity.Due) error {
	if d.File == 0 {
		return nil
	}
	var current int64
	if err := t.row(`SELECT version FROM file WHERE id = $1`, []any{d.File}, &current); err != nil {
		return err
	}
	return t.rows(`SELECT n, size, blake3, CASE WHEN length(md5) = 0 THEN 1 ELSE 0 END, checksums FROM version WHERE file = $1 ORDER BY n DESC`, []any{d.File}, func(r *sql.Rows) error {
		var w fixity.Wanted
		var b3 []byte
		var asked int64
		var words string
		if err := r.Scan(&w.N, &w.Size, &b3, &asked, &words); err != nil {
			return err
		}
		w.Digest = fixity.DigestOf(fixity.BLAKE3, b3)
		if w.N == current {
			d.Want = w
			if _, d.Lacks = checksums(words); asked != 0 {
				d.Lacks = fixity.MD5
			}
		} else {
			d.Earlier = append(d.Earlier, w)
		}
		return nil
	})
}
