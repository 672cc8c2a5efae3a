package letters

import (
	"cmp"
	"errors"
	"fmt"
	"slices"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/damage"
	"firmus/fixity/ledger"
)

// sampled is how many files of one thread are looked at one by one. Of a mass change
// the rest is counted.
const sampled = 20

// thread is all that is known of one matter.
type thread struct {
	name   string
	open   []ledger.Finding // more than untidy, by number
	ended  []ledger.Finding // told, and open no longer
	told   map[int64]ledger.Told
	fresh  bool // holds what was not told yet, or has grown worse since
	files  map[int64]known
	stores map[string]ledger.Store
	away   map[string]bool
	read   []string // stores whose copies of the sampled files were read since
	reads  bool     // others are to be read at once
	first  time.Time
	newest time.Time // of its letters, as far as findings were told first in them
	heard  map[int64]string
	about  report.Matter                   // what steps are taken from, besides the findings
	says   map[int64][]fixity.RegisterSays // what the register says of each file
	whole  []ledger.Finding                // see all
}

// known is a file and its copies.
type known struct {
	file   ledger.File
	copies []ledger.Copy
}

// all are the thread's findings, the ended ones too, by number.
func (x *thread) all() []ledger.Finding {
	if x.whole == nil { // of a mass change that is much to copy
		x.whole = slices.Concat(x.open, x.ended)
		slices.SortFunc(x.whole, func(a, b ledger.Finding) int { return int(a.ID - b.ID) })
	}
	return x.whole
}

func (x *thread) urgency() fixity.Urgency {
	u := fixity.AtRisk
	for _, f := range x.open {
		if f.Urgency == fixity.NoneIntact {
			u = fixity.NoneIntact
		}
	}
	return u
}

// fileIDs are the files its open findings are about, once each.
func (x *thread) fileIDs() []int64 {
	var out []int64
	seen := map[int64]bool{}
	for _, f := range x.open {
		if f.File != 0 && !seen[f.File] {
			out = append(out, f.File)
		}
		seen[f.File] = true
	}
	return out
}

// threads sorts the open findings that are more than untidy, and those told before,
// into threads: what belongs to one incident, one file or one audit of one store is
// one matter.
func threads(t *ledger.Tx) ([]*thread, error) {
	urgent, err := t.Findings.Urgent()
	if err != nil {
		return nil, err
	}
	rows, err := t.Post.Told()
	if err != nil {
		return nil, err
	}
	told := map[int64]ledger.Told{}
	for _, r := range rows {
		told[r.Finding] = r
	}
	ended, err := t.Findings.NotUrgent()
	if err != nil {
		return nil, err
	}
	many := massOf(urgent)
	s := sorter{at: map[string]*thread{}, file: map[int64]string{}, incident: map[int64]string{}, audit: map[auditKey]string{}, disc: map[int64]string{}}
	for _, f := range urgent { // what was told stays where it was
		if r, ok := told[f.ID]; ok {
			x := s.thread(r.Thread)
			x.open = add(x.open, f)
			s.note(f, x.name)
		}
	}
	for _, f := range urgent {
		if _, ok := told[f.ID]; !ok && !many.covers(f) {
			x := s.thread(s.find(f))
			x.open = add(x.open, f)
			s.note(f, x.name)
		}
	}
	for _, r := range rows {
		x := s.thread(r.Thread)
		x.told[r.Finding] = r
		if x.first.IsZero() || r.First.Before(x.first) {
			x.first = r.First
		}
		if r.First.After(x.newest) {
			x.newest = r.First
		}
	}
	for _, f := range ended {
		x := s.thread(told[f.ID].Thread)
		x.ended = add(x.ended, f)
	}
	for _, x := range s.order {
		// What is wrong with a copy comes before what every copy lacks.
		slices.SortFunc(x.open, func(a, b ledger.Finding) int {
			return cmp.Or(order(a.Kind == fixity.Unfinished)-order(b.Kind == fixity.Unfinished), int(a.ID-b.ID))
		})
		for _, f := range x.open {
			r, ok := x.told[f.ID]
			x.fresh = x.fresh || !ok || f.Urgency.Level() > r.Urgency.Level() || f.Kind != r.Kind || newWrongWay(f, r)
		}
	}
	return s.order, nil
}

// add appends a finding: a slice that is full becomes twice as long, for its copying takes
// most of the time that threads of a mass change take.
func add(to []ledger.Finding, f ledger.Finding) []ledger.Finding {
	if len(to) == cap(to) {
		to = slices.Grow(to, len(to)+1)
	}
	return append(to, f)
}

func order(last bool) int {
	if last {
		return 1
	}
	return 0
}

// mass is what open findings tell of many copies at once.
type mass struct {
	files   int64            // that have findings of their own
	failing map[string]int64 // by store: unreadable copies of an incident
}

func massOf(urgent []ledger.Finding) mass {
	out, files := mass{failing: map[string]int64{}}, map[int64]bool{}
	for _, o := range urgent {
		if o.File != 0 {
			files[o.File] = true
		}
		if o.Incident != 0 && fixity.State(o.Kind) == fixity.Unreadable {
			out.failing[o.Store]++
		}
	}
	out.files = int64(len(files))
	return out
}

// covers says that a finding is no news. Of too few copies: so many files have open
// findings of their own, which say it better. Of a drive that is away: a letter said
// that it is failing, and that it should be disconnected.
func (m mass) covers(f ledger.Finding) bool {
	switch f.Kind {
	case fixity.Away:
		return m.failing[f.Store] > 1
	case fixity.TooFew:
		return m.files >= f.Count
	}
	return false
}

type auditKey struct {
	store string
	audit int64
}

type sorter struct {
	order    []*thread
	at       map[string]*thread
	file     map[int64]string
	incident map[int64]string
	audit    map[auditKey]string
	disc     map[int64]string
	few      string // tells that files have too few copies
}

func (s *sorter) thread(name string) *thread {
	x := s.at[name]
	if x == nil {
		x = &thread{name: name, told: map[int64]ledger.Told{}, files: map[int64]known{}, stores: map[string]ledger.Store{}, away: map[string]bool{}}
		s.at[name], s.order = x, append(s.order, x)
	}
	return x
}

// find gives the thread that a finding which was not told belongs to.
func (s *sorter) find(f ledger.Finding) string {
	own := "finding-" + number(int(f.ID))
	switch {
	case f.Incident != 0 && s.incident[f.Incident] != "":
		return s.incident[f.Incident]
	case f.File != 0 && s.file[f.File] != "":
		return s.file[f.File]
	case f.Carrier != 0 && s.disc[f.Carrier] != "":
		return s.disc[f.Carrier]
	case f.Incident != 0:
		return "incident-" + number(int(f.Incident))
	case isLacking(f) && s.few != "":
		return s.few
	case f.File != 0 && f.Audit != 0 && s.audit[auditKey{f.Store, f.Audit}] != "":
		return s.audit[auditKey{f.Store, f.Audit}]
	}
	return own
}

func isLacking(f ledger.Finding) bool {
	return f.Subject == fixity.OfFile && (fixity.State(f.Kind) == fixity.Awaited || fixity.State(f.Kind) == fixity.Behind)
}

func (s *sorter) note(f ledger.Finding, name string) {
	if f.File != 0 {
		s.file[f.File] = name
	}
	if f.Incident != 0 {
		s.incident[f.Incident] = name
	}
	if f.File != 0 && f.Audit != 0 {
		s.audit[auditKey{f.Store, f.Audit}] = name
	}
	if f.Carrier != 0 && s.disc[f.Carrier] == "" {
		s.disc[f.Carrier] = name
	}
	if f.Kind == fixity.TooFew {
		s.few = name
	}
}

// look fills in what is known of a thread's files and of the stores that hold them.
// away are the stores that can't be reached.
func (l *Letters) look(t *ledger.Tx, x *thread, away []string) error {
	ids := x.fileIDs()
	many := len(ids) > sampled
	for _, id := range ids[:min(len(ids), sampled)] {
		f, err := t.Files.Get(id)
		if err != nil {
			return err
		}
		copies, err := t.Copies.Of(id)
		if err != nil {
			return err
		}
		x.files[id] = known{f, copies}
	}
	for _, rule := range l.o.Rules.Stores {
		s, err := t.Stores.Get(rule.Name)
		if errors.Is(err, fixity.ErrNotFound) {
			continue
		}
		if err != nil {
			return err
		}
		x.stores[rule.Name] = s
		x.away[rule.Name] = slices.Contains(away, rule.Name)
		if many && !rule.Visiting && !x.away[rule.Name] {
			ahead, err := t.Audits.AnyAhead(rule.Name)
			if err != nil {
				return err
			}
			x.reads = x.reads || ahead
		}
	}
	for _, f := range x.open {
		for _, c := range x.files[f.File].copies {
			if c.Carrier != 0 {
				continue // nobody reads a disc of its own accord
			}
			if slices.ContainsFunc(x.open, func(o ledger.Finding) bool { return o.File == f.File && o.Store == c.Store }) {
				continue // what it holds is what the finding says
			}
			rule, _ := l.o.Rules.Store(c.Store)
			switch {
			case c.ReadAtOnce():
				x.reads = x.reads || !rule.Visiting && !x.away[c.Store]
			case readSince(c, f) && !slices.Contains(x.read, c.Store):
				x.read = append(x.read, c.Store)
			}
		}
	}
	slices.Sort(x.read)
	return nil
}

// save finds out what steps tell of, and what there is to save first if the matter is a
// failing drive.
func (l *Letters) save(t *ledger.Tx, x *thread) error {
	x.about = report.Matter{Findings: x.open, Rules: l.o.Rules, Where: l.o.Where}
	if len(x.open) == 0 {
		return nil
	}
	return x.about.Look(t)
}

// hear says when in the recording the damage of a thread about one file is heard.
func (l *Letters) hear(t *ledger.Tx, x *thread) error {
	x.heard = map[int64]string{}
	if l.o.Layout == nil || len(x.fileIDs()) != 1 {
		return nil
	}
	for _, f := range x.open {
		v := x.files[f.File].file.Version
		if len(f.Ranges) == 0 || v == 0 {
			continue
		}
		s, err := t.Files.Sound(f.File, v)
		if err != nil {
			return err
		}
		if layout, ok := l.o.Layout(s); ok {
			x.heard[f.ID] = heard(damage.Times(f.Ranges, layout), s.Duration)
		}
	}
	return nil
}

// heard is where in a recording damage lies, in words.
func heard(spans []damage.Span, whole time.Duration) string {
	var said []string
	outside := false
	for _, s := range spans {
		switch {
		case !s.InSound:
			outside = true
		case len(said) < 3:
			about := ""
			if s.About {
				about = "about "
			}
			said = append(said, fmt.Sprintf("%s%s to %s", about, damage.Clock(s.From), damage.Clock(s.To)))
		}
	}
	inSound := 0
	for _, s := range spans {
		if s.InSound {
			inSound++
		}
	}
	if more := inSound - len(said); more > 0 {
		said = append(said, fmt.Sprintf("%d more", more))
	}
	text := fixity.And(said)
	if text != "" && whole > 0 {
		text += " of " + damage.Clock(whole)
	}
	switch {
	case outside && text != "":
		text += "; and in the description in the file"
	case outside:
		text = "in the description in the file, outside the sound itself"
	}
	return text
}

// readSince says that a copy was read in the audit that opened the finding, or since.
func readSince(c ledger.Copy, f ledger.Finding) bool {
	return !c.Read.At.IsZero() && c.Read.At.After(f.Opened.Add(-24*time.Hour)) && c.Read.Cache != fixity.Allowed
}

// intact is the copy of a finding's file in one of the stores that hold it intact.
func (x *thread) intact(f ledger.Finding, store string) (ledger.Copy, bool) {
	for _, c := range x.files[f.File].copies {
		if c.Store == store {
			return c, true
		}
	}
	return ledger.Copy{}, false
}
