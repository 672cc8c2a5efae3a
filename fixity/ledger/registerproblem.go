package ledger

import (
	"database/sql"
	"encoding/json"
	"maps"
	"reflect"
	"slices"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

const problemColumns = `key, sheet, line, col, kind, says, item, finding, since, quiet`

func scanProblem(r row) (p fixity.RegisterProblem, err error) {
	var item []byte
	var since, quiet int64
	var tells string
	err = r.Scan(&p.Key, &p.Sheet, &p.Line, &p.Column, &p.Kind, &tells, &item, &p.Finding, &since, &quiet)
	if json.Unmarshal([]byte(tells), &p.Tells) != nil {
		p.Tells = []string{tells} // a sentence
	}
	p.Item, p.Since, p.Quiet = string(item), fromNanos(since), quiet != 0
	return p, err
}

// Problems are up to n problems of a kind ("": of all) behind the one with a line and key, by
// line.
func (t Register) Problems(kind string, line int, key string, n int) ([]fixity.RegisterProblem, error) {
	return list(t.Tx, `SELECT `+problemColumns+` FROM register_problem WHERE ($1 = '' OR kind = $1) AND (line > $2 OR line = $2 AND key > $3) ORDER BY line, key LIMIT $4`,
		[]any{kind, line, key, n}, scanProblem)
}

// CountProblems counts those that nobody settled, by kind.
func (t Register) CountProblems() (map[string]int64, error) {
	out := map[string]int64{}
	err := t.rows(`SELECT kind, count(*) FROM register_problem WHERE quiet = 0 GROUP BY kind`, nil, func(r *sql.Rows) error {
		var kind string
		var n int64
		err := r.Scan(&kind, &n)
		out[kind] = n
		return err
	})
	return out, err
}

// mostProblems is how many problems a finding names.
const mostProblems = 20

// PutProblems keeps what is wrong in the register in force, and opens, changes and ends the
// findings about it: one for each kind. What a person settled stays quiet as long as it is
// there. It gives how many are not settled.
func (t Register) PutProblems(ps []fixity.RegisterProblem, by string) (open int64, err error) {
	was := map[string]fixity.RegisterProblem{}
	type place struct {
		sheet, column, kind string
		line                int
	}
	earlier := map[place]fixity.RegisterProblem{} // kept as sentences, under keys of these
	old, err := list(t.Tx, `SELECT `+problemColumns+` FROM register_problem`, nil, scanProblem)
	if err != nil {
		return 0, err
	}
	kinds := map[string][]int{}
	for _, p := range old {
		was[p.Key] = p
		kinds[p.Kind] = nil
		if len(p.Tells) == 1 && strings.Contains(p.Tells[0], " ") {
			earlier[place{p.Sheet, p.Column, p.Kind, p.Line}] = p
		}
	}
	settled := map[int64]bool{} // findings that a person settled
	ended := func(finding int64) (bool, error) {
		if finding == 0 {
			return false, nil
		}
		if s, ok := settled[finding]; ok {
			return s, nil
		}
		f, err := t.Findings.Get(finding)
		settled[finding] = err == nil && f.Settled == fixity.ByPerson
		return settled[finding], err
	}
	ps = slices.Clone(ps)
	slices.SortStableFunc(ps, func(a, b fixity.RegisterProblem) int { return a.Line - b.Line })
	for i := range ps {
		p := &ps[i]
		p.Sheet, p.Column, p.Kind, p.Tells = storable(p.Sheet), storable(p.Column), storable(p.Kind), slices.Clone(p.Tells)
		for k := range p.Tells {
			p.Tells[k] = storable(p.Tells[k])
		}
		p.Since = t.now
		o, ok := was[p.Key]
		if !ok {
			o, ok = earlier[place{p.Sheet, p.Column, p.Kind, p.Line}]
		}
		if ok {
			p.Since, p.Finding = o.Since, o.Finding
			if p.Quiet, err = ended(o.Finding); err != nil {
				return 0, err
			}
		}
		if !p.Quiet {
			open++
			kinds[p.Kind] = append(kinds[p.Kind], i)
		}
	}
	for _, k := range slices.Sorted(maps.Keys(kinds)) {
		those := kinds[k]
		if len(those) == 0 {
			if err := t.Findings.Clear("", "", fixity.OfRegister, fixity.Kind(k), "", fixity.IntactAgain, by); err != nil {
				return 0, err
			}
			continue
		}
		f := fixity.Finding{Subject: fixity.OfRegister, Kind: fixity.Kind(k), Urgency: fixity.Tidy, Count: int64(len(those))}
		for _, i := range those[:min(len(those), mostProblems)] {
			p := ps[i]
			f.Facts.Seen = append(f.Facts.Seen, fixity.Fact{Is: fixity.RowTells, Set: p.Sheet, Count: int64(p.Line), Code: p.Column, Said: p.Tells})
		}
		id, err := t.foundInRegister(f, by)
		if err != nil {
			return 0, err
		}
		for _, i := range those {
			ps[i].Finding = id
		}
	}
	for _, p := range ps {
		old := was[p.Key]
		delete(was, p.Key)
		if reflect.DeepEqual(old, p) {
			continue
		}
		tells, err := json.Marshal(p.Tells)
		if err != nil {
			return 0, err
		}
		if _, err := t.exec(`INSERT INTO register_problem (`+problemColumns+`) VALUES ($1, $2, $3, $4, $5, $6, $7, $8, $9, $10)
			ON CONFLICT (key) DO UPDATE SET sheet = $2, line = $3, col = $4, kind = $5, says = $6, item = $7, finding = $8, since = $9, quiet = $10`,
			p.Key, p.Sheet, p.Line, p.Column, p.Kind, string(tells), []byte(p.Item), p.Finding, nanos(p.Since), b2i(p.Quiet)); err != nil {
			return 0, err
		}
	}
	for k := range was {
		if _, err := t.exec(`DELETE FROM register_problem WHERE key = $1`, k); err != nil {
			return 0, err
		}
	}
	return open, nil
}

// foundInRegister opens or refreshes a finding about the register, and gives its number.
func (t Register) foundInRegister(f fixity.Finding, by string) (int64, error) {
	if err := t.Findings.Found(f, care.StepRegister, 0, by); err != nil {
		return 0, err
	}
	x, err := t.Findings.openOther("", "", fixity.OfRegister, f.Kind, f.Path)
	return x.ID, err
}

// Failed notes that the register couldn't be read, and why: the version in force stays. The
// finding ends with the next reading that comes to its end. at has where it lies, and the file
// if that looks half written; why has what is wrong, and trouble says it in a sentence.
func (t Register) Failed(at fixity.RegisterReading, why fixity.Fact, trouble, by string) error {
	x, err := t.Reading()
	if err != nil {
		return err
	}
	before := x.Doubted
	x.TriedAt, x.Trouble = t.now, trouble
	if x.Doubted = at.Doubted; x.Doubted.IsZero() {
		x.DoubtedAt = time.Time{}
	} else if at.Doubted != before {
		x.DoubtedAt = t.now
	}
	if x.From == "" {
		x.From = at.From
	}
	if err := t.PutReading(x); err != nil {
		return err
	}
	f := fixity.Finding{Subject: fixity.OfRegister, Kind: fixity.NotRead, Urgency: fixity.Tidy, Count: 1}
	why.Is, why.Root, why.Set, why.Said = fixity.RegisterFails, storable(at.From), storable(why.Set), slices.Clone(why.Said)
	for i, s := range why.Said {
		why.Said[i] = storable(s)
	}
	f.Facts.Seen = []fixity.Fact{why}
	if v, err := t.Version(0); err == nil {
		f.Facts.Seen[0].Version, f.Facts.Seen[0].Date = v.N, v.At
	}
	_, err = t.foundInRegister(f, by)
	return err
}

// ReadAgain ends the finding that it couldn't be read.
func (t Register) ReadAgain(by string) error {
	return t.Findings.Clear("", "", fixity.OfRegister, fixity.NotRead, "", fixity.IntactAgain, by)
}

// Suspect opens a finding about how one version differs from an earlier one: values that were
// torn from their rows, or a column that was filled down. Version is the earlier one.
func (t Register) Suspect(kind fixity.Kind, version int64, facts []fixity.Fact, rows int64, by string) error {
	f := fixity.Finding{Subject: fixity.OfRegister, Kind: kind, Urgency: fixity.Tidy, Count: rows}
	f.Facts.Seen = facts
	for i := range f.Facts.Seen {
		f.Facts.Seen[i].Version = version
	}
	_, err := t.foundInRegister(f, by)
	return err
}

// Suspected is the open finding of a kind about how versions differ, and the version before
// what it tells; fixity.ErrNotFound if none is open.
func (t Register) Suspected(kind fixity.Kind) (f Finding, before int64, err error) {
	if f, err = t.Findings.openOther("", "", fixity.OfRegister, kind, ""); err != nil {
		return f, 0, err
	}
	for _, x := range f.Facts.Seen {
		before = max(before, x.Version)
	}
	return f, before, nil
}

// Unsuspect ends such a finding: the register is as it was before.
func (t Register) Unsuspect(kind fixity.Kind, by string) error {
	return t.Findings.Clear("", "", fixity.OfRegister, kind, "", fixity.IntactAgain, by)
}

// ProblemKey tells a problem from all others, whichever line it stands in: so a row that is
// put in above makes none of them new.
func ProblemKey(parts ...string) string { return strings.Join(parts, "\x1f") }

// OfRegister are the open findings about the register, the oldest first.
func (t Findings) OfRegister() ([]Finding, error) {
	return t.where(`WHERE settled = '' AND subject = $1 AND store = '' ORDER BY id`, string(fixity.OfRegister))
}
