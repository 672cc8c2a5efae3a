package ledger

import (
	"bytes"
	"database/sql"
	"encoding/json"
	"errors"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// Finding is a finding with what the ledger adds to it.
type Finding struct {
	fixity.Finding
	File    int64
	Carrier int64
	Disc    string // as people call the carrier; "" without one
	Step    care.Step
	Audit   int64 // that opened it
	Version int64 // of an unfinished one: of the file, that it is about
	Once    bool  // the register in force says that the item can't be transferred again
	// Of the file: its item, and how long the sound of its current version is, as far as
	// that is known.
	Item  string
	Sound time.Duration
}

const findingColumns = `id, subject, kind, urgency, step, store, set_name, carrier, file, path, found_at, anatomy, ranges, ranges_more,
	intact_in, mergeable, incident, files, audit, opened_at, seen_at, settled, settled_at, settled_by, reason, facts, version`

// once says of a finding that the item of its file can't be transferred again, of which one
// row of the register is enough.
const once = `EXISTS (SELECT 1 FROM register_says r WHERE r.item = o.item AND r.unplayable = 1)`

// onceFirst is the order of findings: what can't be transferred again comes first.
const onceFirst = `CASE WHEN ` + once + ` THEN 0 ELSE 1 END, id`

// findingSelect reads findings with what is asked of the file of each: one look at it answers
// all of that. The columns of the file have names that no column of a finding has.
const findingSelect = `SELECT ` + findingColumns + `, o.item, CAST(coalesce(v.duration, 0) AS BIGINT), CASE WHEN ` + once + ` THEN 1 ELSE 0 END FROM finding
	LEFT JOIN (SELECT id AS of_file, item, version AS newest FROM file) o ON o.of_file = finding.file
	LEFT JOIN (SELECT file AS of_version, n, duration FROM version) v ON v.of_version = finding.file AND v.n = o.newest `

// findingRow is where the columns of a finding are read into, row by row.
type findingRow struct {
	f                                                                     Finding
	subject, kind, urgency, step, anatomy, ranges, intact, settled, facts string
	item                                                                  sql.NullString
	more, mergeable, opened, seen, settledAt, sound, once                 int64
	into                                                                  []any
}

func newFindingRow() *findingRow {
	x := &findingRow{}
	f := &x.f
	x.into = []any{&f.ID, &x.subject, &x.kind, &x.urgency, &x.step, &f.Store, &f.Set, &f.Carrier, &f.File, &f.Path, &f.FoundAt, &x.anatomy, &x.ranges, &x.more,
		&x.intact, &x.mergeable, &f.Incident, &f.Count, &f.Audit, &x.opened, &x.seen, &x.settled, &x.settledAt, &f.SettledBy, &f.Reason, &x.facts, &f.Version, &x.item, &x.sound, &x.once}
	return x
}

func scanFinding(r row) (Finding, error) { return newFindingRow().scan(r) }

func (x *findingRow) scan(r row) (Finding, error) {
	if err := r.Scan(x.into...); err != nil {
		return Finding{}, err
	}
	f := x.f
	f.Subject, f.Kind, f.Urgency, f.Step = fixity.Subject(x.subject), fixity.Kind(x.kind), fixity.Urgency(x.urgency), care.Step(x.step)
	f.Anatomy, f.Settled = fixity.Anatomy(x.anatomy), fixity.Settled(x.settled)
	f.Once, f.Item, f.Sound = x.once != 0, x.item.String, time.Duration(x.sound)
	f.RangesMore, f.Mergeable = x.more != 0, x.mergeable != 0
	f.Opened, f.Seen, f.SettledAt = fromNanos(x.opened), fromNanos(x.seen), fromNanos(x.settledAt)
	if x.ranges == "[]" {
		f.Ranges = []fixity.Range{}
	} else if err := json.Unmarshal([]byte(x.ranges), &f.Ranges); err != nil {
		return Finding{}, err
	}
	if x.facts != "{}" {
		if err := json.Unmarshal([]byte(x.facts), &f.Facts); err != nil {
			return Finding{}, err
		}
	}
	var err error
	f.IntactIn, err = names(x.intact)
	return f, err
}

// names reads an array of JSON whose texts are names, which hold nothing that is escaped:
// of a mass change that is most of what reading its findings takes.
func names(text string) (out []string, err error) {
	in, ok := strings.CutPrefix(text, `["`)
	if in, found := strings.CutSuffix(in, `"]`); ok && found && !strings.ContainsAny(in, "\\ \n") {
		return strings.Split(in, `","`), nil
	}
	err = json.Unmarshal([]byte(text), &out)
	return out, err
}

// Get reads one finding; fixity.ErrNotFound if there is none of that number.
func (t Findings) Get(id int64) (Finding, error) {
	f, err := scanFinding(t.one(findingSelect+`WHERE id = $1`, id))
	if err != nil {
		return f, notFound(err)
	}
	f.Disc, err = t.Discs.nameOf(f.Carrier)
	return f, err
}

// Open are the open findings of a store ("" is all), the oldest first.
func (t Findings) Open(store string) ([]Finding, error) {
	return t.where(`WHERE settled = '' AND ($1 = '' OR store = $1) ORDER BY id`, store)
}

// CountOpen is how many there are open of a store.
func (t Findings) CountOpen(store string) (n int64, err error) {
	err = t.row(`SELECT count(*) FROM finding WHERE settled = '' AND store = $1`, []any{store}, &n)
	return n, err
}

// All are all findings, the oldest first.
func (t Findings) All() ([]Finding, error) { return t.where(`ORDER BY id`) }

// Of are all findings about a file, the oldest first.
func (t Findings) Of(file int64) ([]Finding, error) {
	return t.where(`WHERE file = $1 ORDER BY id`, file)
}

func (t Findings) where(where string, args ...any) ([]Finding, error) {
	var out []Finding
	x := newFindingRow()
	err := t.rows(findingSelect+where, args, func(r *sql.Rows) error {
		f, err := x.scan(r)
		if len(out) == cap(out) {
			out = slices.Grow(out, len(out)+1) // twice as many: a finding is large, and growing moves all
		}
		out = append(out, f)
		return err
	})
	if err != nil {
		return nil, err
	}
	for i := range out {
		if out[i].Disc, err = t.Discs.nameOf(out[i].Carrier); err != nil {
			return nil, err
		}
	}
	return out, nil
}

// put writes a finding, new or known.
func (t Findings) put(f Finding) error {
	ranges, err := json.Marshal(f.Ranges)
	if err != nil || f.Ranges == nil {
		ranges = []byte("[]")
	}
	intact, err := json.Marshal(f.IntactIn)
	if err != nil || f.IntactIn == nil {
		intact = []byte("[]")
	}
	facts, err := json.Marshal(f.Facts)
	if err != nil {
		return err
	}
	_, err = t.exec(`INSERT INTO finding (`+findingColumns+`)
		VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10, $11, $12, $13, $14, $15, $16, $17, $18, $19, $20, $21, $22, $23, $24, $25, $26, $27)
		ON CONFLICT (id) DO UPDATE SET kind = $3, urgency = $4, step = $5, path = $10, found_at = $11, anatomy = $12, ranges = $13, ranges_more = $14,
			intact_in = $15, mergeable = $16, incident = $17, files = $18, seen_at = $21, settled = $22, settled_at = $23, settled_by = $24, reason = $25, facts = $26, version = $27`,
		f.ID, string(f.Subject), string(f.Kind), string(f.Urgency), string(f.Step), f.Store, f.Set, f.Carrier, f.File, []byte(f.Path), []byte(f.FoundAt),
		string(f.Anatomy), string(ranges), b2i(f.RangesMore), string(intact), b2i(f.Mergeable), f.Incident, f.Count, f.Audit,
		nanos(f.Opened), nanos(f.Seen), string(f.Settled), nanos(f.SettledAt), f.SettledBy, f.Reason, string(facts), f.Version)
	return err
}

// What a finding shows besides the verdict: anatomy and how it was seen.
type seenAs struct {
	anatomy fixity.Anatomy
	ranges  []fixity.Range
	more    bool
	facts   []fixity.Fact
	foundAt string
	carrier int64 // the disc that was read
	// intactAt is when the copy was last known to be intact before this reading; zero if
	// that isn't known.
	intactAt time.Time
	overdue  bool // as in care.Holding
}

// turn writes a finding and the event of its turn.
func (t Findings) turn(f Finding, verb fixity.Verb, by string) error {
	if err := t.put(f); err != nil {
		return err
	}
	data := map[string]any{"kind": f.Kind, "urgency": f.Urgency, "subject": f.Subject}
	if f.Anatomy != "" {
		data["anatomy"] = f.Anatomy
	}
	if f.Settled != "" {
		data["settled"] = f.Settled
	}
	if f.Carrier != 0 {
		data["disc"] = f.Disc
	}
	if s := f.WrongWay(); s != "" {
		data["wrong_way"] = s
	}
	if f.Version != 0 {
		data["version"] = f.Version
	}
	t.Event(Event{Verb: verb, By: by, Store: f.Store, Set: f.Set, File: f.File, Finding: f.ID, Audit: f.Audit, Reason: f.Reason, Data: data})
	return nil
}

// begin gives a new finding its number and writes it.
func (t Findings) begin(f Finding, by string) (Finding, error) {
	id, err := t.NextID("finding")
	if err != nil {
		return f, err
	}
	f.ID, f.Opened, f.Seen = id, t.now, t.now
	if f.Count == 0 {
		f.Count = 1
	}
	if f.Store != "" { // the register is in none
		t.countDay(f.Store, 0, 0, 1)
	}
	return f, t.turn(f, fixity.FindingOpened, by)
}

// settle ends a finding.
func (t Findings) settle(f Finding, how fixity.Settled, by, reason string) error {
	f.Settled, f.SettledAt, f.SettledBy, f.Reason = how, t.now, by, reason
	return t.turn(f, fixity.FindingSettled, by)
}

// Settle ends a finding by a person's order. What it is about stays as it is; the
// same condition isn't reported again.
func (t Findings) Settle(f Finding, how fixity.Settled, by, reason string) error {
	if err := t.stillFinding(f); err != nil {
		return err
	}
	if f.File != 0 && f.Kind != fixity.Unfinished {
		copies, err := t.Copies.Of(f.File)
		if err != nil {
			return err
		}
		for _, c := range copies {
			if c.Store == f.Store && c.Carrier == f.Carrier {
				was := c
				c, _ = care.After(c, care.Settled{}, care.Given{Now: t.now})
				if err := t.Copies.Put(was, c); err != nil {
					return err
				}
			}
		}
	}
	return t.settle(f, how, by, reason)
}

// openFor is the open finding about the copy of a file in a store.
func (t Findings) openFor(store, set string, carrier, file int64) (Finding, error) {
	f, err := scanFinding(t.one(findingSelect+`
		WHERE store = $1 AND set_name = $2 AND carrier = $3 AND file = $4 AND file <> 0 AND settled = '' AND kind <> 'unfinished'`, store, set, carrier, file))
	return f, notFound(err)
}

// openOther is the open finding about something that is no file under care.
func (t Findings) openOther(store, set string, subject fixity.Subject, kind fixity.Kind, path string) (Finding, error) {
	f, err := scanFinding(t.one(findingSelect+`
		WHERE store = $1 AND set_name = $2 AND subject = $3 AND kind = $4 AND path = $5 AND file = 0 AND settled = ''`,
		store, set, string(subject), string(kind), []byte(path)))
	return f, notFound(err)
}

// Found opens or refreshes a finding that isn't about a file under care: a stray,
// a manifest, a store. Its number stays while it is open.
func (t Findings) Found(f fixity.Finding, step care.Step, audit int64, by string) error {
	old, err := t.openOther(f.Store, f.Set, f.Subject, f.Kind, f.Path)
	if errors.Is(err, fixity.ErrNotFound) {
		_, err = t.begin(Finding{Finding: f, Step: step, Audit: audit}, by)
		return err
	}
	if err != nil {
		return err
	}
	rose := f.Urgency.Level() > old.Urgency.Level()
	old.Seen, old.Facts, old.Count, old.Urgency, old.Step = t.now, f.Facts, f.Count, f.Urgency, step
	if rose {
		return t.turn(old, fixity.FindingRaised, by)
	}
	return t.put(old)
}

// Clear ends a finding that isn't about a file under care, if it is open.
func (t Findings) Clear(store, set string, subject fixity.Subject, kind fixity.Kind, path string, how fixity.Settled, by string) error {
	f, err := t.openOther(store, set, subject, kind, path)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil
	}
	if err != nil {
		return err
	}
	return t.settle(f, how, by, "")
}

// Rejudge works out again what is known of a file in every store, and opens,
// changes, raises or settles its findings. It belongs into every transaction that
// changes what a store is known to hold. seen, for the store it names, says what
// this reading showed.
func (t Findings) Rejudge(file, audit int64, by string, seenIn string, seen *seenAs) error {
	t.judged[file] = judging{audit: audit, by: by}
	f, err := t.Files.Get(file)
	if err != nil {
		return err
	}
	copies, err := t.Copies.Of(file)
	if err != nil {
		return err
	}
	rules, err := t.Stores.Rules()
	if err != nil {
		return err
	}
	set, _ := rules.Set(f.Set)
	c := care.Case{Set: set, Version: f.Version, Vouched: f.Vouched, Now: t.now}
	if c.Once, err = t.Register.once(f.Item); err != nil {
		return err
	}
	if f.Version > 0 {
		v, err := t.Files.Version(file, f.Version)
		if err != nil {
			return err
		}
		c.VersionAt = v.At
	}
	all, err := t.where(`WHERE file = $1 AND settled = '' AND kind <> 'unfinished'`, file)
	if err != nil {
		return err
	}
	open := map[place]Finding{}
	for _, fd := range all {
		open[place{fd.Store, fd.Carrier}] = fd
	}
	for _, x := range copies {
		fd, isOpen := open[place{x.Store, x.Carrier}]
		h := care.Holding{Copy: x}
		if h.Arrived, err = t.Stores.arrived(x.Store, x.Set); err != nil {
			return err
		}
		if x.State == fixity.Misplaced {
			holds, err := t.holdsElsewhere(x, f.Version)
			if err != nil {
				return err
			}
			h.Unproved = !holds
		}
		h.Overdue = isOpen && care.Waits(fixity.State(fd.Kind)) || seen.of(x, seenIn) && seen.overdue
		switch {
		case seen.of(x, seenIn):
			h.Blocks = goodBlocks(x, seen.anatomy, seen.ranges, seen.more)
		case isOpen:
			h.Blocks = goodBlocks(x, fd.Anatomy, fd.Ranges, fd.RangesMore)
		}
		c.Holdings = append(c.Holdings, h)
	}
	asked := false
	for _, x := range copies {
		fd, isOpen := open[place{x.Store, x.Carrier}]
		c.Anatomy = fd.Anatomy
		var s *seenAs
		was := fd
		if seen.of(x, seenIn) {
			s, c.Anatomy = seen, seen.anatomy
			if err := t.wrongBytes(&fd, x, s, copies); err != nil {
				return err
			}
		}
		c.WrongWay = x.State == fixity.Altered && fd.Facts.WrongWay != ""
		v := care.Judge(rules, c, x.Store, x.Carrier)
		if v.Finding && len(v.IntactIn) == 0 && !asked {
			// Only now is it worth a search.
			asked = true
			if c.Same, err = t.Copies.knownSame(file, f.Version); err != nil {
				return err
			}
			t.judged[file] = judging{audit: audit, by: by, asked: true, same: c.Same}
			v = care.Judge(rules, c, x.Store, x.Carrier)
		}
		if fd.Facts.SameBytes, err = t.tellSame(v.Same); err != nil {
			return err
		}
		if err := t.applyVerdict(f, x, was, fd.Facts, isOpen, v, s, audit, by); err != nil {
			return err
		}
	}
	return nil
}

// place is where a file has at most one copy.
type place struct {
	store   string
	carrier int64
}

// of says that the copy is the one that was seen in a store.
func (s *seenAs) of(c Copy, store string) bool {
	return s != nil && c.Store == store && c.Carrier == s.carrier
}

// holdsElsewhere says that what lies where a misplaced copy was found has the
// version's bytes: it was read there; or the service that keeps it reports its
// digest; or it will be read, has the size, time and name of what was intact when it
// was last read, and so is no less sure than a copy that stayed in its place.
func (t Findings) holdsElsewhere(c Copy, version int64) (holds bool, err error) {
	err = t.rows(`SELECT s.blake3, s.reported, s.due, v.blake3, v.sha256, v.md5, v.checksums FROM stray s JOIN version v ON v.file = s.file AND v.n = $4
		WHERE s.file = $1 AND s.file <> 0 AND s.store = $2 AND s.set_name = $3`, []any{c.File, c.Store, c.Set, version}, func(r *sql.Rows) error {
		var read, b3, s2, m5 []byte
		var reported, words string
		var due int64
		if err := r.Scan(&read, &reported, &due, &b3, &s2, &m5, &words); err != nil {
			return err
		}
		switch said := fixity.DigestIn(reported); {
		case len(read) > 0:
			holds = holds || bytes.Equal(read, b3)
		case !said.IsZero():
			holds = holds || bytes.Equal(said.Bytes(), s2) || bytes.Equal(said.Bytes(), m5) || slices.Contains(strings.Fields(words), said.String())
		default:
			holds = holds || due == 1 && c.Wrong.IsZero() && c.Read.OK
		}
		return nil
	})
	return holds, err
}

func (t Findings) applyVerdict(f File, x Copy, fd Finding, facts fixity.Facts, isOpen bool, v care.Verdict, seen *seenAs, audit int64, by string) error {
	if !v.Finding {
		if !isOpen {
			return nil
		}
		how, who, why, err := t.endsAs(fd, by)
		if err != nil {
			return err
		}
		return t.settle(fd, how, who, why)
	}
	old := fd
	fd.Subject, fd.Kind, fd.Urgency, fd.Step, fd.IntactIn, fd.Mergeable = fixity.OfFile, v.Kind, v.Urgency, v.Step, v.IntactIn, v.Mergeable
	fd.Store, fd.Set, fd.Carrier, fd.Disc, fd.File, fd.Path, fd.Facts = x.Store, x.Set, x.Carrier, x.Disc, f.ID, f.Path, facts
	if seen != nil {
		fd.Anatomy, fd.Ranges, fd.RangesMore, fd.Facts.Seen, fd.FoundAt, fd.Seen = seen.anatomy, seen.ranges, seen.more, seen.facts, seen.foundAt, t.now
	}
	if x.State == fixity.Behind {
		if fd.FoundAt = ""; x.Held == f.Version { // it has its former name there
			fd.FoundAt = x.At
		}
	}
	switch {
	case !isOpen:
		fd.Audit = audit
		_, err := t.begin(fd, by)
		return err
	case v.Kind != old.Kind:
		return t.turn(fd, fixity.FindingChanged, by)
	case v.Urgency.Level() > old.Urgency.Level(), fd.WrongWay() != "" && old.WrongWay() == "":
		return t.turn(fd, fixity.FindingRaised, by)
	}
	return t.put(fd)
}

// goodBlocks says which 64 KiB of a damaged copy are still the version's, nil if
// that isn't known.
func goodBlocks(c Copy, a fixity.Anatomy, ranges []fixity.Range, more bool) []bool {
	const block = 64 << 10
	if more || len(ranges) == 0 || c.State == fixity.Misplaced || c.State == fixity.Missing || a == fixity.Replaced {
		return nil
	}
	end := int64(0)
	for _, r := range ranges {
		end = max(end, r.Offset+r.Length)
	}
	n := (max(end, c.Size) + block - 1) / block
	good := make([]bool, n)
	for i := range good {
		good[i] = true
	}
	for _, r := range ranges {
		for i := r.Offset / block; i < n && i*block < r.Offset+r.Length; i++ {
			good[i] = false
		}
	}
	return good
}
