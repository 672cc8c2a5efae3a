package audit_test

import (
	"errors"
	"fmt"
	"maps"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/testing/faulty"
)

// recordings are few, so that every operation on them can be made to fail.
func recordings() map[string]string {
	return map[string]string{
		"QV-0107/side-a.wav":      strings.Repeat("side a ", 30),
		"QV-0107/notes/label.txt": "Quillmere, 1958",
		"QV-0108/side-a.wav":      strings.Repeat("x", 3*64<<10),
		"index.txt":               "QV-0107\nQV-0108\n",
	}
}

// TestEveryFault makes operation k of an audit fail for k = 0, 1, 2, … until none
// fails: what can't be seen or read is told, and is never missing nor altered.
func TestEveryFault(t *testing.T) {
	plain := errors.New("something went wrong")
	faults := []error{fixity.ErrUnreadable, fixity.ErrAway, fixity.ErrDenied, fixity.ErrInUse, fixity.ErrChanged, plain}
	if testing.Short() {
		faults = faults[:2]
	}
	everyFault(t, 1, faults, faulty.Identify, faulty.Shards, faulty.List, faulty.Step, faulty.Open, faulty.Read, faulty.Close, "stat")
}

// TestEveryFaultOfSeveral is TestEveryFault with several files read side by side.
func TestEveryFaultOfSeveral(t *testing.T) {
	everyFault(t, 3, []error{fixity.ErrUnreadable, fixity.ErrAway, fixity.ErrChanged}, faulty.Open, faulty.Read, faulty.Close, "stat")
}

func everyFault(t *testing.T, readers int, faults []error, ops ...faulty.Op) {
	for _, op := range ops {
		for _, err := range faults {
			t.Run(fmt.Sprintf("%s/%v", op, err), func(t *testing.T) {
				w := newWorldOf(t, recordings())
				w.readers = readers
				injected := 0
				for k := 0; ; k++ {
					if !w.failAt(op, k, err) {
						break
					}
					injected++
				}
				if injected == 0 {
					t.Fatal("no operation was made to fail")
				}
				w.sound()
			})
		}
	}
}

// failAt audits a store whose operation k of a kind fails, then once more without
// a fault. It gives false if there was no such operation.
func (w *world) failAt(op faulty.Op, k int, fault error) bool {
	w.t.Helper()
	r := w.at("shelf", "masters")
	hit := false
	r.whole = map[string]int{}
	n := r.stats
	if op == "stat" {
		r.stat = func(i int, _ string) error {
			if i == n+k {
				hit = true
				return fault
			}
			return nil
		}
	} else {
		n := r.Count(op)
		r.Set(func(c faulty.Call) faulty.Effect {
			if c.Op == op && c.Nth == n+k {
				hit = true
				return faulty.Effect{Err: fault}
			}
			return faulty.Effect{}
		})
	}
	a, err := w.try(full("shelf"))
	r.Set()
	r.stat = nil

	told := err != nil
	if a.ID != 0 && err == nil {
		p := w.progress(a)
		told = !p.Complete && len(p.Trouble) > 0
	}
	for path, s := range w.states("shelf", "masters") {
		switch s {
		case fixity.Intact:
		case fixity.Unreadable, fixity.Unsteady:
			if !errors.Is(fault, fixity.ErrUnreadable) {
				w.t.Errorf("%s %d: %v made %q %s", op, k, fault, path, s)
			}
			told = true
		default:
			w.t.Errorf("%s %d: %v made %q %s", op, k, fault, path, s)
		}
	}
	if hit != told {
		w.t.Errorf("%s %d: %v: injected %t, told %t", op, k, fault, hit, told)
	}
	if errors.Is(fault, fixity.ErrAway) && hit && !errors.Is(err, fixity.ErrAway) {
		w.t.Errorf("%s %d: the store went away, but the audit says %v", op, k, err)
	}
	if a.ID != 0 {
		for path, outcomes := range w.lines(a.ID) {
			if slices.Contains(outcomes, fixity.ReadIntact) && r.wasRead(path) == 0 {
				w.t.Errorf("%s %d: %v: %q is recorded as intact and was not read", op, k, fault, path)
			}
		}
	}

	// A full audit that was cut off is taken up: what it read is not read again.
	a, p := w.audit(full("shelf"))
	if !p.Complete {
		w.t.Errorf("%s %d: without a fault the audit is not complete: %q", op, k, p.Trouble)
	}
	if d := cmp.Diff(of(fixity.Intact, slices.Collect(maps.Keys(recordings()))...), w.states("shelf", "masters")); d != "" {
		w.t.Errorf("%s %d: states without a fault (-want +got):\n%s", op, k, d)
	}
	if d := cmp.Diff(map[string]fixity.Kind{}, w.kinds()); d != "" {
		w.t.Errorf("%s %d: findings without a fault (-want +got):\n%s", op, k, d)
	}
	if got := w.lines(a.ID); len(got) != len(recordings()) {
		w.t.Errorf("%s %d: the whole audit recorded readings of %v", op, k, got)
	}
	return hit
}
