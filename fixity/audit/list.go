package audit

import (
	"context"
	"errors"
	"fmt"
	"slices"
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
	m := &merger{a: a, s: s, after: s.Cursor}
	bad, err := m.listing(ctx, st)
	if err != nil {
		return err
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
	a       *Auditor
	s       fixity.Shard
	known   []fixity.Known
	after   string   // path up to which known has been fetched
	end     bool     // the ledger knows nothing after that
	bag     bool     // the shard is a bag: its manifests are files of the bag, not Firmus's own
	hidden  []string // what was left out and may have known files below it
	l       fixity.Listed
	reports []fixity.Report
}

// listing takes the store's listing to its end. bad is why it didn't see
// everything, err why the slice can't go on.
func (m *merger) listing(ctx context.Context, st Store) (bad, err error) {
	lctx, w := m.a.stallWatch(ctx)
	defer w.stop()
	last := "" // of the listing, in which also is what an earlier slice has seen
	for e, err := range st.List(lctx, m.s.Top) {
		w.pause() // the ledger's time is not the store's
		if err != nil {
			bad = err
			break
		}
		if e.Path <= last {
			// Merged on, it would make files missing that are there.
			bad = fmt.Errorf("list %q: %q came after %q: %w", m.s.Top, e.Path, last, fixity.ErrIncomplete)
			break
		}
		last = e.Path
		if e.Type == fixity.LeftOut {
			m.hide(e.Path)
		}
		m.bag = m.bag || e.Path == m.s.Top+"/bagit.txt" && e.Type == fixity.File
		if e.Path > m.s.Cursor {
			if err := m.shown(ctx, e); err != nil {
				return nil, err
			}
		}
		w.goOn()
	}
	if cause := context.Cause(lctx); cause != nil {
		return nil, cause
	}
	if errors.Is(bad, fixity.ErrAway) {
		return nil, bad
	}
	if bad == nil && last == "" && m.s.Top != "" {
		// A folder that is left out as a whole looks like one that isn't there.
		w.goOn()
		if e, err := st.Stat(lctx, m.s.Top); err == nil && e.Type == fixity.LeftOut {
			m.hide(m.s.Top)
		} else if err != nil && !errors.Is(err, fixity.ErrVanished) {
			return nil, withCause(lctx, err)
		}
	}
	return bad, nil
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
		if k.Path == e.Path {
			k.Instead = e.Type
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
		if e.Reported != k.Reported || k.Size != e.Size || !signed && e.Reported.IsZero() {
			m.l.Strays = append(m.l.Strays, e)
		}
		return
	}
	if InScope(m.s.Under, e.Path) && m.s.Counts {
		m.l.Files++
	}
	if !e.Reported.IsZero() {
		// The service's own digest is told apart from a reading, and stands for the
		// sign: its time says when somebody touched the file, not its bytes.
		m.reports = append(m.reports, fixity.Report{Path: e.Path, Size: e.Size, ModTime: e.ModTime.UnixNano(), Digest: e.Reported})
		return
	}
	// Size and time alone are the sign: inodes change at each mount on some file
	// systems. A changed sign is a reason to read, never a finding.
	if !signed || k.State == fixity.Missing || k.State == fixity.Misplaced || k.State == fixity.Awaited {
		m.l.Changed = append(m.l.Changed, k)
	}
}

func (m *merger) lacking(k fixity.Known) {
	switch {
	case k.File == 0:
		m.l.Left = append(m.l.Left, k)
	case m.hides(k.Path):
		// It may well be there: nothing is claimed of it.
		m.l.Trouble = fmt.Sprintf("%q is under care, and was not looked at: a pattern of leave_out hides it", k.Path)
		m.note("%s", m.l.Trouble)
	default:
		m.l.Gone = append(m.l.Gone, k)
	}
}

// hide notes that nothing at or below path is shown. Those are forgotten below
// which nothing can come any more.
func (m *merger) hide(path string) {
	m.hidden = slices.DeleteFunc(m.hidden, func(h string) bool { return path >= h+"0" }) // "0" is the character after "/"
	m.hidden = append(m.hidden, path)
}

func (m *merger) hides(path string) bool {
	return slices.ContainsFunc(m.hidden, func(h string) bool { return InScope(h, path) })
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
	if len(m.l.Gone)+len(m.l.Strays)+len(m.l.Left)+len(m.l.Changed)+len(m.reports) < pageSize {
		return nil
	}
	return m.commit(ctx)
}

func (m *merger) commit(ctx context.Context) error {
	if len(m.reports) > 0 {
		if err := m.a.Record.CommitReports(ctx, m.s, m.reports); err != nil {
			return err
		}
		m.reports = nil
	}
	if err := m.a.Record.CommitListing(ctx, m.s, m.l); err != nil {
		return err
	}
	m.s.Attempt++
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
