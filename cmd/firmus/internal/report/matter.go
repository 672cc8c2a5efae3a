package report

import (
	"cmp"
	"fmt"
	"slices"

	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// MatterOf reads the matter of a finding: that of its incident, of the folder that was moved
// with it, of the file that it was exchanged with, or itself.
func MatterOf(t *ledger.Tx, rules care.Rules, where Where, f ledger.Finding) (Matter, error) {
	fs, err := (&sorter{t: t}).with(f)
	m := Matter{Findings: fs, Rules: rules, Where: where}
	if err != nil {
		return m, err
	}
	return m, m.Look(t)
}

// Matters are the matters of findings, each once, with how much each is about; first says
// which of the findings is the first of each. What steps tell of isn't read: there may be
// thousands.
func Matters(t *ledger.Tx, rules care.Rules, where Where, fs []ledger.Finding) (out []Matter, first []int, err error) {
	s, done := sorter{t: t, given: fs}, map[int64]bool{}
	out, first = make([]Matter, 0, len(fs)), make([]int, 0, len(fs))
	for i, f := range fs {
		if done[f.ID] {
			continue
		}
		all := fs[i : i+1 : i+1]
		if !itself(f) {
			if all, err = s.with(f); err != nil {
				return nil, nil, err
			}
			for _, o := range all {
				done[o.ID] = true
			}
		}
		out, first = append(out, Matter{Findings: all, Rules: rules, Where: where, Amount: ledger.AmountOf(all)}), append(first, i)
	}
	return out, first, nil
}

// itself says that a finding is a matter of its own.
func itself(f ledger.Finding) bool { return !f.Open() || matterKey(f) == (together{}) }

// sorter finds out which findings belong together. The open ones of a store are read when
// they are first needed, and once.
type sorter struct {
	t      *ledger.Tx
	given  []ledger.Finding // that are at hand
	stores map[string]bool
	of     map[together][]ledger.Finding
}

// together is what findings of one matter have in common: an incident, a folder that was
// moved, or two places whose files were exchanged.
type together struct {
	store, set string
	incident   int64
	was, is    string
}

func (s *sorter) with(f ledger.Finding) ([]ledger.Finding, error) {
	if itself(f) {
		return []ledger.Finding{f}, nil
	}
	k := matterKey(f)
	if !s.stores[f.Store] {
		all, err := s.open(f.Store)
		if err != nil {
			return nil, err
		}
		if s.stores == nil {
			s.stores, s.of = map[string]bool{}, map[together][]ledger.Finding{}
		}
		s.stores[f.Store] = true
		for _, o := range all {
			if k := matterKey(o); k != (together{}) {
				s.of[k] = append(s.of[k], o)
			}
		}
	}
	if all := s.of[k]; slices.ContainsFunc(all, func(o ledger.Finding) bool { return o.ID == f.ID }) {
		return slices.Clone(all), nil
	}
	return []ledger.Finding{f}, nil
}

// open are the open findings of a store, by number. They are read unless all are at hand.
func (s *sorter) open(store string) ([]ledger.Finding, error) {
	var here []ledger.Finding
	for _, f := range s.given {
		if f.Store == store && f.Open() {
			here = append(here, f)
		}
	}
	if len(here) > 1 {
		if n, err := s.t.Findings.CountOpen(store); err != nil {
			return nil, err
		} else if n == int64(len(here)) {
			slices.SortFunc(here, func(a, b ledger.Finding) int { return cmp.Compare(a.ID, b.ID) })
			return here, nil
		}
	}
	return s.t.Findings.Open(store)
}

// matterKey is the zero one for a finding that is a matter of its own.
func matterKey(f ledger.Finding) together {
	if f.Incident != 0 {
		return together{store: f.Store, incident: f.Incident}
	}
	if other := swapped(f); other != "" {
		own := f.Set + "/" + f.Path
		return together{f.Store, "", 0, min(own, other), max(own, other)}
	}
	if was, is, ok := folders(f); ok {
		return together{f.Store, f.Set, 0, was, is}
	}
	return together{}
}

// Look reads what is known of the files that steps tell of, and what there is to save
// from a failing drive.
func (m *Matter) Look(t *ledger.Tx) (err error) {
	m.Amount = ledger.AmountOf(m.Findings)
	if m.Failing() {
		if m.Fewest, m.Only, err = t.Copies.SaveFirst(m.Findings[0].Store, fewest); err != nil {
			return err
		}
	}
	var ids []int64
	for _, fs := range m.sorts() {
		ids = append(ids, fs[0].File)
	}
	for _, x := range m.Fewest {
		ids = append(ids, x.File.ID)
	}
	m.Files = map[int64]Known{}
	for _, id := range ids {
		if _, ok := m.Files[id]; ok || id == 0 {
			continue
		}
		if m.Files[id], err = know(t, id); err != nil {
			return fmt.Errorf("file %d: %w", id, err)
		}
	}
	return nil
}
