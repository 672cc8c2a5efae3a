package audit

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// pageSize is how many rows of the ledger, and how many differences, are held at once.
const pageSize = 1000

// listedShards is of how many shards at most what their listings found is committed together;
// it is also when it is older than commitAfter.
const listedShards = 500

// list lists shards and merges each with what the ledger knows of it. The store is listed
// ahead of that by another goroutine, in the same order: while one waits for the medium the
// other works. Their memory is bounded by the parts that wait between them.
func (a *Auditor) list(ctx context.Context, shards func(yield func(fixity.Shard) error) error) error {
	ctx, cancel := context.WithCancelCause(ctx)
	defer cancel(nil)
	parts := make(chan part, partsAhead)
	go func() {
		defer close(parts)
		if err := shards(func(s fixity.Shard) error { return a.ahead(ctx, s, parts) }); err != nil && ctx.Err() == nil {
			send(ctx, parts, part{failed: err})
		}
	}()
	err := a.mergeAll(ctx, parts)
	cancel(errDone)
	for range parts { // until nothing of the store is used any more
	}
	return err
}

var errDone = errors.New("the listing has ended")

// part is a part of a shard's listing, in order.
type part struct {
	s       fixity.Shard
	st      Store
	entries []fixity.Entry
	end     bool  // of the shard,
	bad     error // which isn't seen whole for this reason
	failed  error // nothing more comes
}

// Entries wait in parts of so many, and so many parts wait for the ledger.
const (
	partSize   = 256
	partsAhead = 4
)

func send(ctx context.Context, to chan<- part, p part) error {
	select {
	case to <- p:
		return nil
	case <-ctx.Done():
		return context.Cause(ctx)
	}
}

// ahead lists one shard.
func (a *Auditor) ahead(ctx context.Context, s fixity.Shard, to chan<- part) error {
	st, err := a.Open(s.Store, s.Set, s.Cache)
	if err != nil {
		return err
	}
	p := part{s: s, st: st}
	for e, err := range st.List(ctx, s.Top) {
		if err != nil {
			p.bad = err
			break
		}
		if p.entries = append(p.entries, e); len(p.entries) == partSize {
			if err := send(ctx, to, p); err != nil {
				return err
			}
			p.entries = make([]fixity.Entry, 0, partSize)
		}
	}
	if ctx.Err() != nil {
		return context.Cause(ctx)
	}
	p.end = true
	return send(ctx, to, p)
}

// mergeAll merges listings as they come, and commits what they found.
func (a *Auditor) mergeAll(ctx context.Context, parts <-chan part) error {
	done := &listings{a: a, since: time.Now()}
	err := a.merge(ctx, parts, done)
	if err == nil {
		return done.commit(ctx)
	}
	_ = done.commit(context.WithoutCancel(ctx)) // the reason why nothing follows says more
	return err
}

func (a *Auditor) merge(ctx context.Context, parts <-chan part, done *listings) error {
	var m *merger
	for p := range parts {
		if p.failed != nil {
			return p.failed
		}
		if m == nil {
			m = &merger{a: a, s: p.s, after: p.s.Cursor, l: fixity.Listed{Cursor: p.s.Cursor}}
		}
		if err := m.take(ctx, p); err != nil {
			return err
		}
		if !p.end {
			continue
		}
		if err := m.rest(ctx); err != nil {
			return err
		}
		m.l.Done = true
		if err := done.add(ctx, m); err != nil {
			return err
		}
		m = nil
	}
	return context.Cause(ctx)
}

// listings are those of whole shards that wait to be committed.
type listings struct {
	a     *Auditor
	since time.Time
	ls    []fixity.Listed
	n     int // differences in them
}

func (x *listings) add(ctx context.Context, m *merger) error {
	if err := m.commitReports(ctx); err != nil {
		return err
	}
	m.l.Shard = m.s
	x.ls, x.n = append(x.ls, m.l), x.n+m.differences()
	if x.n < pageSize && len(x.ls) < listedShards && time.Since(x.since) < commitAfter {
		return nil
	}
	return x.commit(ctx)
}

func (x *listings) commit(ctx context.Context) error {
	ls := x.ls
	x.ls, x.n = nil, 0
	if len(ls) == 0 {
		return nil
	}
	err := x.a.Record.CommitListing(ctx, ls...)
	x.since = time.Now()
	return err
}

type merger struct {
	a       *Auditor
	s       fixity.Shard
	known   []fixity.Known
	last    string   // path of the listing's last entry, in which also is what an earlier slice has seen
	broken  bool     // the listing is out of order: the rest of it is let pass
	after   string   // path up to which known has been fetched
	end     bool     // the ledger knows nothing after that
	bag     bool     // the shard is a bag: its manifests are files of the bag, not Firmus's own
	hidden  []string // what was left out and may have known files below it
	l       fixity.Listed
	reports []fixity.ServiceReport
}

// take takes the next part of the store's listing. The error is why it can't go on.
func (m *merger) take(ctx context.Context, p part) error {
	bad := p.bad
	for _, e := range p.entries {
		if m.broken {
			break
		}
		if e.Path <= m.last {
			// Merged on, it would make files missing that are there.
			m.broken = true
			m.l.Trouble = fmt.Sprintf("list %q: %q came after %q: %v", m.s.Top, e.Path, m.last, fixity.ErrIncomplete)
			break
		}
		m.last = e.Path
		if e.Type == fixity.LeftOut {
			m.hide(e.Path)
		}
		m.bag = m.bag || e.Path == m.s.Top+"/bagit.txt" && e.Type == fixity.File
		if e.Path > m.s.Cursor {
			if err := m.shown(ctx, e); err != nil {
				return err
			}
		}
	}
	if cause := context.Cause(ctx); cause != nil {
		return cause
	}
	switch {
	case m.broken:
	case errors.Is(bad, fixity.ErrAway):
		return bad
	case bad != nil:
		m.l.Trouble = bad.Error()
	case p.end && m.last == "" && m.s.Top != "":
		// A folder that is left out as a whole looks like one that isn't there.
		if e, err := p.st.Stat(ctx, m.s.Top); err == nil && e.Type == fixity.LeftOut {
			m.hide(m.s.Top)
		} else if err != nil && !errors.Is(err, fixity.ErrVanished) {
			return err
		}
	}
	return nil
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
		e = e.Stray()
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
		m.reports = append(m.reports, fixity.ServiceReport{Path: e.Path, Size: e.Size, ModTime: e.ModTime.UnixNano(), InodeAt: e.InodeAt(), Digest: e.Reported, Basis: e.Basis})
		return
	}
	if (care.Shown{Size: e.Size, ModTime: e.ModTime.UnixNano(), InodeAt: e.InodeAt(), Basis: e.Basis}).News(k) {
		m.l.Changed = append(m.l.Changed, e)
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
		if m.bag || !fixity.IsManifest(e.Path) {
			m.l.Strays = append(m.l.Strays, e.Stray())
		}
	}
}

func (m *merger) note(format string, args ...any) {
	if m.a.Progress.Note != nil {
		m.a.Progress.Note(m.s, fmt.Sprintf(format, args...))
	}
}

// differences are how many wait to be committed.
func (m *merger) differences() int {
	return len(m.l.Gone) + len(m.l.Strays) + len(m.l.Left) + len(m.l.Changed)
}

func (m *merger) flush(ctx context.Context) error {
	if m.differences()+len(m.reports) < pageSize {
		return nil
	}
	if err := m.commitReports(ctx); err != nil {
		return err
	}
	m.l.Shard = m.s
	if err := m.a.Record.CommitListing(ctx, m.l); err != nil {
		return err
	}
	m.s.Attempt++
	m.s.Cursor = m.l.Cursor
	m.l = fixity.Listed{Cursor: m.l.Cursor}
	return nil
}

func (m *merger) commitReports(ctx context.Context) error {
	reports := m.reports
	m.reports = nil
	if len(reports) == 0 {
		return nil
	}
	return m.a.Record.CommitServiceReports(ctx, m.s, reports)
}

// InScope says that a path is at or below a folder; "" is everything.
func InScope(under, path string) bool {
	return under == "" || path == under || strings.HasPrefix(path, under+"/")
}
