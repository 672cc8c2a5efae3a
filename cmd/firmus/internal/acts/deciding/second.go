package deciding

import (
	"context"
	"encoding/json"
	"errors"
	"fmt"
	"net/url"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// second is how a second person comes into an act: by its proposal, or by their confirming
// it. An act without one is refused where a set asks for two people.
type second struct {
	order    Decision
	proposed int64           // the proposal that was made, in the place of the act
	confirms ledger.Proposal // the proposal that is confirmed; its number is 0 if one is made
	by       string          // who confirms it
}

// Decision is an act that a set may ask two people for: one of its orders.
type Decision struct {
	SignOff *SignOffOrder `json:"sign_off,omitempty"`
	Retire  *RetireOrder  `json:"retire,omitempty"`
	Replace *ReplaceOrder `json:"replace,omitempty"`
	Settle  *SettleOrder  `json:"settle,omitempty"`
	// EndStore retires a store, or lets another drive take its place.
	EndStore *EndStoreOrder `json:"end_store,omitempty"`
	// Known is by which account of the computer whoever proposed it is known, if their name was
	// only typed.
	Known string `json:"known,omitempty"`
}

// KnownBy says how sure the name of whoever proposed it is.
func (d Decision) KnownBy() string {
	if d.Known == "" {
		return "signed in on the pages"
	}
	return "by command, under this computer's account " + d.Known + ", where any name can be typed"
}

// The acts' names in proposals. Stored: never change one.
const (
	actSignOff = "sign-off"
	actRetire  = "retire"
	actReplace = "replace"
	actSettle  = "settle"
	// of whole stores
	actRetireStore  = "retire-store"
	actReplaceStore = "replace-store"
)

// Decided is what came of a decision: it was done, or it waits for a second person.
type Decided struct {
	SignedOff []SignedOff
	Retired   *RetirePlan // files, or those of a store
	Replaced  []Replaced
	Settled   []ledger.Finding
	Store     string // that was retired or replaced
	Set       string // the one that was retired in it; "": all
	Proposal  int64  // that waits for a second person; 0: it was done
}

// Follows is the audit that a decision asks for: another drive that takes the place of a store
// counts only once it was read in full. Whoever did it orders that at once.
func (d Decided) Follows() (acts.AuditOrder, bool) {
	if d.Store == "" || d.Retired != nil {
		return acts.AuditOrder{}, false
	}
	return acts.AuditOrder{Stores: []string{d.Store}, Full: true, Cache: fixity.Bypassed}, true
}

// errProposed ends an act in whose place a proposal was made.
var errProposed = errors.New("proposed")

// Decide does what a person decided, or, where a set asks for two people, checks it just as
// well and keeps it as a proposal: another person has to confirm it.
func (e Acts) Decide(ctx context.Context, d Decision) (Decided, error) {
	s := &second{order: d}
	out, err := e.decide(ctx, d, s)
	if errors.Is(err, errProposed) {
		return Decided{Proposal: s.proposed}, nil
	}
	return out, err
}

func (e Acts) decide(ctx context.Context, d Decision, s *second) (out Decided, err error) {
	switch {
	case d.SignOff != nil:
		o := *d.SignOff
		o.two = s
		out.SignedOff, err = e.SignOff(ctx, o)
	case d.Retire != nil:
		o := *d.Retire
		o.two = s
		var p RetirePlan
		if p, err = e.Retire(ctx, o); p.Done {
			out.Retired = &p
		}
	case d.Replace != nil:
		o := *d.Replace
		o.two = s
		out.Replaced, err = e.Replace(ctx, o)
	case d.Settle != nil:
		o := *d.Settle
		o.two = s
		out.Settled, err = e.Settle(ctx, o)
	case d.EndStore != nil:
		o := *d.EndStore
		o.two = s
		var p RetirePlan
		if p, err = e.EndStore(ctx, o); err == nil {
			out.Store, out.Set = o.Store, o.Set
		}
		if p.Done {
			out.Retired = &p
		}
	default:
		err = fmt.Errorf("nothing was decided: %w", fixity.ErrRefused)
	}
	return out, err
}

// actBy is Act for what a set may ask two people for.
func (e Acts) actBy(ctx context.Context, s *second, seen []ledger.Seen, fn func(*ledger.Tx) error) error {
	if !e.AsksForTwo(seen...) && (s == nil || s.confirms.ID == 0) {
		return e.Act(ctx, seen, fn)
	}
	if s == nil {
		return errNeedsTwo
	}
	if s.confirms.ID == 0 {
		return e.propose(ctx, s, seen)
	}
	return e.Act(ctx, seen, func(t *ledger.Tx) error {
		if err := s.begin(t); err != nil {
			return err
		}
		if err := s.end(t); err != nil {
			return err
		}
		return fn(t)
	})
}

// begin lets a transaction do something of what s confirms: it refuses whoever may not, and
// what was taken back meanwhile. Its events bear both names.
func (s *second) begin(t *ledger.Tx) error {
	if s == nil || s.confirms.ID == 0 {
		return nil
	}
	if err := mayDecide(t, s.by); err != nil {
		return err
	}
	p, err := t.Proposals.Get(s.confirms.ID)
	if err == nil && !p.Ended.IsZero() {
		err = ended(p)
	}
	t.ConfirmedBy(s.by)
	return err
}

// end ends what s confirms, in the transaction that does the last of it.
func (s *second) end(t *ledger.Tx) error {
	if s == nil || s.confirms.ID == 0 {
		return nil
	}
	return t.Proposals.End(s.confirms.ID, fixity.ProposalConfirmed, s.by, "")
}

func ended(p ledger.Proposal) error {
	return fmt.Errorf("proposal %d has ended already: %s: %w", p.ID, fixity.Means("proposal", string(p.Outcome)), fixity.ErrChangedMeanwhile)
}

// AsksForTwo says that a second person has to confirm what is decided about what was seen.
func (e Acts) AsksForTwo(seen ...ledger.Seen) bool {
	return slices.ContainsFunc(seen, func(s ledger.Seen) bool {
		name := s.File.Set
		if name == "" {
			name = s.Finding.Set
		}
		return s.Two || e.SetAsksForTwo(name)
	})
}

// SetAsksForTwo says that a second person has to confirm what is decided about a set.
func (e Acts) SetAsksForTwo(name string) bool {
	set, _ := e.Rules.Set(name)
	return set.TwoPeople
}

// StoreAsksForTwo says that a second person has to confirm that a store ends, or a set in it
// ("" for all of it): a set asks for two that it holds, or held.
func (e Acts) StoreAsksForTwo(known ledger.Store, set string) bool {
	if set != "" {
		return e.SetAsksForTwo(set)
	}
	rule, _ := e.Rules.Store(known.Name)
	return slices.ContainsFunc(rule.Sets, e.SetAsksForTwo) ||
		slices.ContainsFunc(known.Roots, func(r ledger.Root) bool { return e.SetAsksForTwo(r.Set) })
}

// proposeStore makes a proposal in the place of an act about a whole store, where that needs
// a second person, and then gives an error. plan is what would be left.
func (e Acts) proposeStore(ctx context.Context, s *second, known ledger.Store, set string, plan RetirePlan) error {
	switch {
	case s != nil && s.confirms.ID != 0:
		if s.order.EndStore.Saw != known.Mark() {
			return fmt.Errorf("store %s was adopted or ended since: %w", known.Name, fixity.ErrChangedMeanwhile)
		}
		return s.order.EndStore.Left.still(plan)
	case !e.StoreAsksForTwo(known, set):
		return nil
	case s == nil:
		return errNeedsTwo
	}
	o := *s.order.EndStore
	o.Saw, o.Left = known.Mark(), plan.left()
	s.order.EndStore = &o
	return e.propose(ctx, s, nil)
}

var errNeedsTwo = fmt.Errorf("it needs two people: one proposes it, another confirms it: %w", fixity.ErrRefused)

// mayDecide refuses whoever is no reviewer by an account: else one person could be two by
// typing another name.
func mayDecide(t *ledger.Tx, name string) error {
	a, err := t.People.Account(name)
	if errors.Is(err, fixity.ErrNotFound) || err == nil && !a.Role.May(fixity.Reviewer) {
		return fmt.Errorf("two people have to decide this, each with an account as a reviewer. %q is none (firmus account list; --by NAME says who you are): %w", name, fixity.ErrRefused)
	}
	return err
}

// propose keeps what was ordered with the marks of what its person saw.
func (e Acts) propose(ctx context.Context, s *second, seen []ledger.Seen) error {
	d, err := s.order.pinned(seen)
	if err != nil {
		return err
	}
	d.Known = e.Known
	what, err := json.Marshal(d)
	if err != nil {
		return err
	}
	var files []ledger.File
	for _, x := range seen {
		if x.File.ID != 0 {
			files = append(files, x.File)
		}
	}
	if err := e.Act(ctx, seen, func(t *ledger.Tx) error {
		if err := mayDecide(t, e.By); err != nil {
			return err
		}
		waiting, err := t.Proposals.Waiting()
		if err != nil {
			return err
		}
		for _, p := range waiting {
			if !d.overlaps(p) {
				continue
			}
			if _, err := e.voided(t, p); err == nil {
				return fmt.Errorf("%s proposed something about it already: proposal %d. Confirm that, or have it taken back: %w", p.By, p.ID, fixity.ErrRefused)
			}
			if err := t.Proposals.End(p.ID, fixity.ProposalVoid, e.By, ""); err != nil {
				return err
			}
		}
		act, reason := d.act()
		s.proposed, err = t.Proposals.Add(ledger.Proposal{Act: act, What: string(what), By: e.By, Reason: reason}, files)
		return err
	}); err != nil {
		return err
	}
	return errProposed
}

// pinned is a decision that names each of its subjects with the mark of what was seen.
func (d Decision) pinned(seen []ledger.Seen) (Decision, error) {
	switch {
	case d.SignOff != nil:
		o := *d.SignOff
		o.Findings, o.Saw, o.Incident, o.SawAll, o.Files = nil, map[int64]string{}, 0, "", int64(len(seen))
		for _, s := range seen {
			o.Findings, o.Saw[s.Finding.ID] = append(o.Findings, s.Finding.ID), s.Mark()
		}
		return Decision{SignOff: &o}, nil
	case d.Settle != nil:
		o := *d.Settle
		o.Findings, o.Saw, o.Like, o.SawAll, o.Files = nil, map[int64]string{}, 0, "", int64(len(seen))
		for _, s := range seen {
			o.Findings, o.Saw[s.Finding.ID] = append(o.Findings, s.Finding.ID), s.Mark()
		}
		return Decision{Settle: &o}, nil
	case d.EndStore != nil:
		return Decision{EndStore: d.EndStore}, nil
	case d.Retire != nil:
		o := *d.Retire
		o.Paths, o.SawAll = nil, ledger.MarkOfSeen(seen)
		for _, s := range seen {
			o.Paths = append(o.Paths, s.File.Set+"/"+s.File.Path)
		}
		return Decision{Retire: &o}, nil
	case d.Replace != nil:
		o := *d.Replace
		o.SawAll = ledger.MarkOfSeen(seen)
		return Decision{Replace: &o}, nil
	}
	return d, fmt.Errorf("nothing was decided: %w", fixity.ErrRefused)
}

func (d Decision) act() (name, reason string) {
	switch {
	case d.SignOff != nil:
		return actSignOff, d.SignOff.Reason
	case d.Retire != nil:
		return actRetire, d.Retire.Reason
	case d.Settle != nil:
		return actSettle, d.Settle.Reason
	case d.EndStore != nil && d.EndStore.Replace:
		return actReplaceStore, d.EndStore.Reason
	case d.EndStore != nil:
		return actRetireStore, d.EndStore.Reason
	}
	return actReplace, d.Replace.Reason
}

// subjects are what a decision is about, each by a word of its own.
func (d Decision) subjects() (out []string) {
	switch {
	case d.SignOff != nil || d.Settle != nil:
		ids, _ := d.findings()
		for _, id := range ids {
			out = append(out, fmt.Sprintf("finding %d", id))
		}
	case d.EndStore != nil:
		out = []string{"store " + d.EndStore.Store}
	case d.Retire != nil:
		out = d.Retire.Paths
	case d.Replace != nil:
		for _, p := range d.Replace.Pairs {
			out = append(out, p.Old)
		}
	}
	return out
}

// findings are those that a decision is about, with the marks of what was seen of them.
func (d Decision) findings() ([]int64, map[int64]string) {
	switch {
	case d.SignOff != nil:
		return d.SignOff.Findings, d.SignOff.Saw
	case d.Settle != nil:
		return d.Settle.Findings, d.Settle.Saw
	}
	return nil, nil
}

func (d Decision) overlaps(p ledger.Proposal) bool {
	other, err := DecisionOf(p)
	if err != nil {
		return false
	}
	mine := map[string]bool{}
	for _, s := range d.subjects() {
		mine[s] = true
	}
	return slices.ContainsFunc(other.subjects(), func(s string) bool { return mine[s] })
}

// MarshalJSON writes the order with its paths escaped: names are bytes, and JSON holds text.
func (d Decision) MarshalJSON() ([]byte, error) {
	type plain Decision
	err := d.paths(func(p string) (string, error) { return url.PathEscape(p), nil })
	if err != nil {
		return nil, err
	}
	return json.Marshal(plain(d))
}

// UnmarshalJSON reads what MarshalJSON wrote.
func (d *Decision) UnmarshalJSON(b []byte) error {
	type plain Decision
	var x plain
	if err := json.Unmarshal(b, &x); err != nil {
		return err
	}
	*d = Decision(x)
	return d.paths(url.PathUnescape)
}

// paths changes each path of an order; the order itself is a copy then.
func (d *Decision) paths(change func(string) (string, error)) (err error) {
	each := func(p string) string {
		out, err2 := change(p)
		err = errors.Join(err, err2)
		return out
	}
	if d.Retire != nil {
		o := *d.Retire
		o.Paths = slices.Clone(o.Paths)
		for i, p := range o.Paths {
			o.Paths[i] = each(p)
		}
		d.Retire = &o
	}
	if d.Replace != nil {
		o := *d.Replace
		o.Pairs = slices.Clone(o.Pairs)
		for i, p := range o.Pairs {
			o.Pairs[i] = Pair{each(p.Old), each(p.New)}
		}
		d.Replace = &o
	}
	return err
}

// DecisionOf is what a proposal would do.
func DecisionOf(p ledger.Proposal) (d Decision, err error) {
	if err = json.Unmarshal([]byte(p.What), &d); err != nil {
		err = fmt.Errorf("proposal %d: %w", p.ID, err)
	}
	return d, err
}

// About says that a proposal is about a finding.
func About(p ledger.Proposal, finding int64) bool {
	return Decision{SignOff: &SignOffOrder{Findings: []int64{finding}}}.overlaps(p)
}

// FindingsOf are those that a proposal is about.
func FindingsOf(p ledger.Proposal) []int64 {
	d, err := DecisionOf(p)
	if err != nil {
		return nil
	}
	ids, _ := d.findings()
	return ids
}

// AboutStore says that a proposal is about a whole store.
func AboutStore(p ledger.Proposal, name string) bool {
	return Decision{EndStore: &EndStoreOrder{Store: name}}.overlaps(p)
}

// InWords says what a decision is, as an order.
func (d Decision) InWords() string {
	switch {
	case d.SignOff != nil && len(d.SignOff.Findings) == 1:
		return fmt.Sprintf("sign off finding %d", d.SignOff.Findings[0])
	case d.SignOff != nil:
		return "sign off " + fixity.Count(len(d.SignOff.Findings), "finding")
	case d.Settle != nil && len(d.Settle.Findings) == 1:
		return fmt.Sprintf("leave finding %d as it is", d.Settle.Findings[0])
	case d.Settle != nil:
		return "leave " + fixity.Count(len(d.Settle.Findings), "finding") + " as they are"
	case d.EndStore != nil && d.EndStore.Replace:
		return fmt.Sprintf("let another drive take the place of store %s", d.EndStore.Store)
	case d.EndStore != nil && d.EndStore.Set != "":
		return fmt.Sprintf("retire the set %s in store %s", d.EndStore.Set, d.EndStore.Store)
	case d.EndStore != nil:
		return "retire store " + d.EndStore.Store
	case d.Retire != nil && len(d.Retire.Paths) == 1:
		return "retire " + ledger.DisplayPath(d.Retire.Paths[0])
	case d.Retire != nil:
		return "retire " + fixity.Count(len(d.Retire.Paths), "file")
	case d.Replace != nil && len(d.Replace.Pairs) == 1:
		return fmt.Sprintf("let %s take the place of %s", ledger.DisplayPath(d.Replace.Pairs[0].New), ledger.DisplayPath(d.Replace.Pairs[0].Old))
	case d.Replace != nil:
		return fmt.Sprintf("let %s take the places of others with the same samples", fixity.Count(len(d.Replace.Pairs), "file"))
	}
	return ""
}

// Proposal is a proposal as it stands.
type Proposal struct {
	ledger.Proposal
	Decision Decision
	Findings []ledger.Finding // that it is about
	Files    []ledger.File    // likewise
	Void     string           // what is so now, if what it is about has changed
}

// Proposal reads one, with whether what it is about is as it was.
func (e Acts) Proposal(ctx context.Context, id int64) (p Proposal, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		l, err := t.Proposals.Get(id)
		if errors.Is(err, fixity.ErrNotFound) {
			return fmt.Errorf("there is no proposal %d (firmus proposal list): %w", id, fixity.ErrNotFound)
		}
		if err == nil {
			p, err = e.proposal(t, l)
		}
		return err
	})
	return p, err
}

// Waiting are the proposals that wait for a second person.
func (e Acts) Waiting(ctx context.Context) (out []Proposal, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Proposals.Waiting()
		for _, l := range all {
			p, err := e.proposal(t, l)
			if err != nil {
				return err
			}
			out = append(out, p)
		}
		return err
	})
	return out, err
}

func (e Acts) proposal(t *ledger.Tx, l ledger.Proposal) (Proposal, error) {
	p := Proposal{Proposal: l}
	seen, err := e.voided(t, l)
	if errors.Is(err, fixity.ErrChangedMeanwhile) && l.Ended.IsZero() {
		p.Void, err = strings.TrimSuffix(err.Error(), ": "+fixity.ErrChangedMeanwhile.Error()), nil
	}
	if errors.Is(err, fixity.ErrChangedMeanwhile) {
		err = nil
	}
	if err != nil {
		return p, err
	}
	for _, s := range seen {
		if s.Finding.ID != 0 {
			p.Findings = append(p.Findings, s.Finding)
		}
		if s.File.ID != 0 {
			p.Files = append(p.Files, s.File)
		}
	}
	p.Decision, err = DecisionOf(l)
	return p, err
}

// voided reads what a proposal is about. The error wraps fixity.ErrChangedMeanwhile if that
// is not what its person saw.
func (e Acts) voided(t *ledger.Tx, p ledger.Proposal) (seen []ledger.Seen, err error) {
	d, err := DecisionOf(p)
	if err != nil {
		return nil, err
	}
	if d.EndStore != nil {
		known, err := t.Stores.Get(d.EndStore.Store)
		if err == nil && known.Mark() != d.EndStore.Saw {
			err = fmt.Errorf("store %s was adopted or ended since: %w", known.Name, fixity.ErrChangedMeanwhile)
		}
		return nil, err
	}
	if ids, saw := d.findings(); ids != nil {
		var changed error
		for _, id := range ids {
			s, err := t.SeeFinding(id)
			if err != nil {
				return nil, err
			}
			if seen = append(seen, s); s.Mark() != saw[id] && changed == nil {
				changed = fmt.Errorf("%s: %w", s, fixity.ErrChangedMeanwhile)
			}
		}
		return seen, changed
	}
	saw, paths := "", []string(nil)
	if d.Retire != nil {
		saw, paths = d.Retire.SawAll, d.Retire.Paths
	} else if d.Replace != nil {
		saw = d.Replace.SawAll
		for _, x := range d.Replace.Pairs {
			paths = append(paths, x.Old, x.New)
		}
	}
	for _, x := range paths {
		set, at, _ := strings.Cut(x, "/")
		f, err := t.Files.At(set, at)
		if errors.Is(err, fixity.ErrNotFound) {
			return seen, fmt.Errorf("%s is not under care any more: %w", ledger.DisplayPath(x), fixity.ErrChangedMeanwhile)
		}
		if err != nil {
			return nil, err
		}
		s, err := t.SeeFile(f.ID)
		if err != nil {
			return nil, err
		}
		seen = append(seen, s)
	}
	if ledger.MarkOfSeen(seen) != saw {
		return seen, fmt.Errorf("a file, or a copy of one, has changed: %w", fixity.ErrChangedMeanwhile)
	}
	if d.Retire != nil && d.Retire.Ends != "" {
		return seen, stillEnds(t, seen, d.Retire.Ends)
	}
	return seen, nil
}

// Confirm does what another person proposed. Whoever made the proposal can't; one whose
// subject has changed is void, which is recorded, and nothing is done.
func (e Acts) Confirm(ctx context.Context, id int64) (Decided, error) {
	p, err := e.Proposal(ctx, id)
	if err != nil {
		return Decided{}, err
	}
	switch {
	case !p.Ended.IsZero():
		return Decided{}, ended(p.Proposal)
	case strings.EqualFold(strings.TrimSpace(e.By), p.By):
		return Decided{}, fmt.Errorf("you proposed it, so another person has to confirm it: %w", fixity.ErrRefused)
	}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error { return mayDecide(t, e.By) }); err != nil {
		return Decided{}, err
	}
	if p.Void != "" {
		return Decided{}, e.void(ctx, p, p.Void)
	}
	if e.Known != "" && e.Known == p.Decision.Known { // one account can type two names: that is what can be known here
		return Decided{}, fmt.Errorf("%s proposed it by command under this computer's account %s, and so would you confirm it: nobody could tell whether two people agreed. Confirm it on the pages, signed in, or under another account of the computer: %w", p.By, e.Known, fixity.ErrRefused)
	}
	a := *e.Archive
	a.By = p.By // the act and its reason are theirs; the second name stands beside it
	out, err := Of(&a).decide(ctx, p.Decision, &second{order: p.Decision, confirms: p.Proposal, by: e.By})
	if errors.Is(err, errMoreLeft) {
		return out, e.void(ctx, p, strings.TrimSuffix(errMoreLeft.Error(), ": "+fixity.ErrChangedMeanwhile.Error()))
	}
	if errors.Is(err, fixity.ErrChangedMeanwhile) {
		if now, err2 := e.Proposal(ctx, id); err2 == nil && now.Void != "" {
			return out, e.void(ctx, p, now.Void)
		}
	}
	return out, err
}

// void records that a proposal is void, and says why.
func (e Acts) void(ctx context.Context, p Proposal, why string) error {
	if err := e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error { return t.Proposals.End(p.ID, fixity.ProposalVoid, e.By, "") }); err != nil {
		return err
	}
	return fmt.Errorf("proposal %d of %s is void, because what it was about has changed: %s: %w", p.ID, p.By, why, fixity.ErrChangedMeanwhile)
}

// TakeBack ends a proposal without doing it: by whoever made it, or by a second person who
// doesn't agree.
func (e Acts) TakeBack(ctx context.Context, id int64, reason string) error {
	p, err := e.Proposal(ctx, id)
	if err != nil {
		return err
	}
	if reason == "" && !strings.EqualFold(p.By, e.By) {
		return fmt.Errorf("%s proposed it: say why it is refused (--reason): %w", p.By, fixity.ErrRefused)
	}
	return e.Ledger.Tx(ctx, e.Now(), func(t *ledger.Tx) error {
		if err := mayDecide(t, e.By); err != nil {
			return err
		}
		return t.Proposals.End(id, fixity.ProposalTakenBack, e.By, reason)
	})
}
