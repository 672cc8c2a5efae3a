package audit

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
)

// pageSize is how many rows of the ledger, and how many differences, are held at once.
const pageSize = 1000

// list merges a shard's listing with what the ledger knows of it.
func (a *Auditor) list(ctx context.Context, s fixity.Shard) error {
	st, err := a.Open(s.Store, s.Set, s.Cache)
	if err != nil {
		return err
	}
	ctx, beat, stop := a.stallWatch(ctx)
	defer stop()
	m := &merger{a: a, s: s, after: s.Cursor}
	var bad error
	for e, err := range st.List(ctx, s.Top) {
		beat()
		if err != nil {
			bad = err
			break
		}
		m.bag = m.bag || e.Path == s.Top+"/bagit.txt" && e.Type == fixity.File
		if e.Path <= s.Cursor {
			continue // an earlier slice has seen it
		}
		if err := m.shown(ctx, e); err != nil {
			return err
		}
	}
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	if errors.Is(bad, fixity.ErrAway) {
		return bad
	}
	if bad != nil {
		m.l.Trouble = bad.Error()
	}
	if err := m.rest(ctx); err != nil {
		return err
	}
	m.l.Done = true
	return m.commit(ctx)
}

type merger struct {
	a     *Auditor
	s     fixity.Shard
	known []fixity.Known
	after string // path up to which known has been fetched
	end   bool   // the ledger knows nothing after that
	bag   bool   // the shard is a bag: its manifests are files of the bag, not Firmus's own
	l     fixity.Listed
}

// next is the first thing known that is not yet passed, nil at the end.
func (m *merger) next(ctx context.Context) (*fixity.Known, error) {
	if len(m.known) == 0 && !m.end {
		page, err := m.a.Record.Known(ctx, m.s, m.after, pageSize)
		if err != nil {
			return nil, err
		}
		m.known, m.end = page, len(page) < pageSize
		if len(page) > 0 {
			m.after = page[len(page)-1].Path
		}
	}
	if len(m.known) == 0 {
		return nil, nil
	}
	return &m.known[0], nil
}

// shown takes the next entry of the listing.
func (m *merger) shown(ctx context.Context, e fixity.Entry) error {
	for {
		k, err := m.next(ctx)
		if err != nil {
			return err
		}
		if k == nil || k.Path > e.Path {
			m.unknown(e)
			break
		}
		m.known = m.known[1:]
		if k.Path == e.Path && e.Type == fixity.File {
			m.both(*k, e)
			break
		}
		m.lacking(*k)
		if k.Path == e.Path {
			m.unknown(e)
			break
		}
	}
	m.l.Cursor = e.Path
	return m.flush(ctx)
}

// rest takes everything known behind the last entry.
func (m *merger) rest(ctx context.Context) error {
	for {
		k, err := m.next(ctx)
		if err != nil || k == nil {
			return err
		}
		m.known = m.known[1:]
		m.lacking(*k)
		m.l.Cursor = k.Path
		if err := m.flush(ctx); err != nil {
			return err
		}
	}
}

func (m *merger) both(k fixity.Known, e fixity.Entry) {
	signed := k.Size == e.Size && k.ModTime == e.ModTime.UnixNano()
	if k.File == 0 {
		if !signed {
			m.l.Strays = append(m.l.Strays, e)
		}
		return
	}
	if InScope(m.s.Under, e.Path) && m.s.Counts {
		m.l.Files++
	}
	// Size and time alone are the sign: inodes change at each mount on some file
	// systems. A changed sign is a reason to read, never a finding.
	if !signed || k.State == fixity.Missing || k.State == fixity.Misplaced || k.State == fixity.Awaited {
		m.l.Changed = append(m.l.Changed, k)
	}
}

func (m *merger) lacking(k fixity.Known) {
	if k.File == 0 {
		m.l.Left = append(m.l.Left, k)
	} else {
		m.l.Gone = append(m.l.Gone, k)
	}
}

func (m *merger) unknown(e fixity.Entry) {
	switch e.Type {
	case fixity.LeftOut:
		m.l.LeftOut++
	case fixity.Link:
		m.note("%q is a link: not followed", e.Path)
	case fixity.Special:
		m.note("%q is no ordinary file: not opened", e.Path)
	case fixity.Online:
		m.note("%q is online only: not opened, and not a copy", e.Path)
	default:
		if m.bag || !IsManifest(e.Path) {
			m.l.Strays = append(m.l.Strays, e)
		}
	}
}

func (m *merger) note(format string, args ...any) {
	if m.a.Watch.Note != nil {
		m.a.Watch.Note(m.s, fmt.Sprintf(format, args...))
	}
}

func (m *merger) flush(ctx context.Context) error {
	if len(m.l.Gone)+len(m.l.Strays)+len(m.l.Left)+len(m.l.Changed) < pageSize {
		return nil
	}
	return m.commit(ctx)
}

func (m *merger) commit(ctx context.Context) error {
	if err := m.a.Record.CommitListing(ctx, m.s, m.l); err != nil {
		return err
	}
	m.s.Cursor = m.l.Cursor
	m.l = fixity.Listed{Cursor: m.l.Cursor}
	return nil
}

// InScope says that a path is at or below a folder; "" is everything.
func InScope(under, path string) bool {
	return under == "" || path == under || strings.HasPrefix(path, under+"/")
}

// IsManifest says that a path is where Firmus keeps a manifest: in a set's root or
// in a first-level folder. It is not a file under care.
func IsManifest(path string) bool {
	dir, name, nested := strings.Cut(path, "/")
	if !nested {
		name = dir
	}
	alg, ok := strings.CutPrefix(name, "manifest-")
	if !ok || strings.Contains(name, "/") {
		return false
	}
	alg, ok = strings.CutSuffix(alg, ".txt")
	return ok && fixity.Algorithm(alg).Size() > 0
}
