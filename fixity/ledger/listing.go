package ledger

import (
	"context"
	"database/sql"
	"errors"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Record gives an audit's slices their view of the ledger. It carries the clock
// that their commits are stamped with.
type Record struct {
	l   *Ledger
	now func() time.Time
	by  string
}

// Record is the ledger as package audit sees it; by is the person or program that
// ordered the audit.
func (l *Ledger) Record(now func() time.Time, by string) Record { return Record{l, now, by} }

// Claim reads where a shard stands. Of several that hold it the first to commit
// goes on, and the others get fixity.ErrLost.
func (r Record) Claim(ctx context.Context, j fixity.Job) (s fixity.Shard, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		s, err = t.Audits.claim(j)
		return err
	})
	return s, err
}

// Known is the next page, in path order, of what the ledger knows in a shard.
func (r Record) Known(ctx context.Context, s fixity.Shard, after string, limit int) (out []fixity.Known, err error) {
	err = r.l.View(ctx, func(t *Tx) error {
		// Two pages, joined here: a database sorts a union of the two anew for each page,
		// all of the shard that is left.
		copies, err := t.Audits.knownPage(`SELECT at, file, state, size, mtime, inode_at, '', reported_by FROM instance WHERE store = $1 AND set_name = $2 AND carrier = 0 AND top = $3 AND at > $4 ORDER BY at LIMIT $5`,
			s, after, limit)
		if err != nil {
			return err
		}
		strays, err := t.Audits.knownPage(`SELECT at, 0, 'unexpected', size, mtime, 0, reported, '' FROM stray WHERE store = $1 AND set_name = $2 AND top = $3 AND at > $4 ORDER BY at LIMIT $5`,
			s, after, limit)
		if err != nil {
			return err
		}
		for len(out) < limit && len(copies)+len(strays) > 0 {
			if len(strays) == 0 || len(copies) > 0 && copies[0].Path <= strays[0].Path {
				out, copies = append(out, copies[0]), copies[1:]
			} else {
				out, strays = append(out, strays[0]), strays[1:]
			}
		}
		return nil
	})
	return out, err
}

func (t Audits) knownPage(query string, s fixity.Shard, after string, limit int) ([]fixity.Known, error) {
	var out []fixity.Known
	err := t.rows(query, []any{s.Store, s.Set, []byte(s.Top), []byte(after), limit}, func(rs *sql.Rows) error {
		var at []byte
		var state, reported, basis string
		var k fixity.Known
		if err := rs.Scan(&at, &k.File, &state, &k.Size, &k.ModTime, &k.InodeAt, &reported, &basis); err != nil {
			return err
		}
		k.Path, k.State, k.Reported = string(at), fixity.State(state), fixity.DigestIn(reported)
		k.Basis = fixity.Basis(basis)
		out = append(out, k)
		return nil
	})
	return out, err
}

// CommitListing writes what parts of listings found to differ. ErrLost if one of the
// claims no longer holds; nothing is written then. A power cut may take it back: each
// listing of an audit is begun anew.
func (r Record) CommitListing(ctx context.Context, ls ...fixity.Listed) error {
	return r.l.soon(ctx, r.now(), func(t *Tx) error {
		for _, l := range ls {
			if err := t.Audits.putListed(l); err != nil {
				return err
			}
		}
		return nil
	})
}

func (t Audits) putListed(l fixity.Listed) error {
	s, to, cursor := l.Shard, fixity.PhaseList, l.Cursor
	if l.Done {
		to, cursor = fixity.PhaseListed, ""
	}
	if err := t.moveShard(s, to, cursor, l.Files, l.LeftOut, 0, 0, l.Trouble); err != nil {
		return err
	}
	for _, k := range l.Gone {
		if _, err := t.exec(`INSERT INTO difference (audit, set_name, top, at, file, instead) VALUES ($1, $2, $3, $4, $5, $6) ON CONFLICT DO NOTHING`,
			s.Audit, s.Set, []byte(top(k.Path)), []byte(k.Path), k.File, instead(k.Instead)); err != nil {
			return err
		}
	}
	if err := t.shown(s, l.Changed); err != nil {
		return err
	}
	if err := t.Strays.put(s.Store, s.Set, l.Strays...); err != nil {
		return err
	}
	for _, k := range l.Left {
		if _, err := t.exec(`INSERT INTO difference (audit, set_name, top, at, file) VALUES ($1, $2, $3, $4, 0) ON CONFLICT DO NOTHING`,
			s.Audit, s.Set, []byte(s.Top), []byte(k.Path)); err != nil {
			return err
		}
	}
	return nil
}

// shown makes due what a listing has news of. How many copies were made due for their
// inodes alone is counted over the audit.
func (t Audits) shown(s fixity.Shard, es []fixity.Entry) error {
	if len(es) == 0 {
		return nil
	}
	var before, touched int64
	if err := t.row(`SELECT CAST(coalesce(sum(touched), 0) AS BIGINT) FROM shard WHERE audit = $1`, []any{s.Audit}, &before); err != nil {
		return err
	}
	for _, e := range es {
		c, err := t.Copies.At(s.Store, s.Set, e.Path)
		if errors.Is(err, fixity.ErrNotFound) {
			continue // an act has dealt with it meanwhile
		}
		if err != nil {
			return err
		}
		now := care.Shown{Size: e.Size, ModTime: nanos(e.ModTime), InodeAt: e.InodeAt(), Basis: e.Basis, Many: before+touched >= care.InodesAtOnce}
		if now.InodeAlone(fixity.Known{State: c.State, Size: c.Size, ModTime: c.ModTime, InodeAt: c.InodeAt}) {
			touched++
		}
		if err := t.Copies.see(c, now); err != nil {
			return err
		}
	}
	if touched == 0 {
		return nil
	}
	_, err := t.exec(`UPDATE shard SET touched = touched + $2 WHERE id = $1`, s.ID, touched)
	return err
}

// instead says what lies at the path of a file that is gone, "" for nothing.
func instead(t fixity.Type) string {
	code := map[fixity.Type]string{fixity.Link: "link", fixity.Special: "special", fixity.Online: "online"}[t]
	if code == "" {
		return ""
	}
	return factsText([]fixity.Fact{{Is: fixity.Instead, Code: code}})
}
