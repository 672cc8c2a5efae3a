package letters

import (
	"fmt"
	"slices"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// withholds says that one of the findings is about a recording that isn't for everybody.
func (l *Letters) withholds(t *ledger.Tx, fs []ledger.Finding) (bool, error) {
	r, err := t.Register.Restricted()
	if err != nil || r.None() {
		return false, err
	}
	return slices.ContainsFunc(fs, func(f ledger.Finding) bool {
		if f.Set == "" {
			return len(f.Facts.Seen) > 0 && f.Facts.Tells(fixity.SuchAs) // a store's finding may name a file
		}
		if slices.ContainsFunc(f.Facts.SameBytes, func(x fixity.SameBytes) bool { return r.File(x.Set, string(x.Path)) }) {
			return true
		}
		return r.File(f.Set, f.Path) || f.FoundAt != "" && r.File(f.Set, f.FoundAt)
	}), nil
}

// about finds out what the register says of the files of a thread.
func (l *Letters) about(t *ledger.Tx, x *thread) error {
	x.says = map[int64][]fixity.RegisterSays{}
	for id, k := range x.files {
		says, err := t.Register.AboutFile(k.file.Set, k.file.Path)
		if err != nil {
			return err
		}
		x.says[id] = says
	}
	return nil
}

// register is what the register says of the recording that a finding is about.
func (w writer) register(f ledger.Finding) []string {
	return report.RegisterRows(w.x.says[f.File], clean)
}

// placed are steps as the letter may tell them: places name recordings.
func (w writer) placed(steps []step) []step {
	if !w.withhold {
		return steps
	}
	steps = slices.Clone(steps)
	for i := range steps {
		if len(steps[i].Lines) > 0 {
			steps[i].Lines, steps[i].Text = nil, steps[i].Text+fmt.Sprintf(" The places: %s.", w.show(w.x.open[0]))
		}
	}
	return steps
}

// registerLines are one or two lines about the week of the register.
func (w week) registerLines() (out []string) {
	if w.reading.TriedAt.IsZero() {
		return nil
	}
	sum := fixity.RegisterVersion{N: 2}
	for _, v := range w.versions {
		if v.N > 1 {
			sum.Added, sum.Deleted, sum.Changed, sum.Moved = sum.Added+v.Added, sum.Deleted+v.Deleted, sum.Changed+v.Changed, sum.Moved+v.Moved
		}
	}
	switch {
	case w.reading.Trouble != "" && w.reading.ReadAt.IsZero():
		out = append(out, fmt.Sprintf("it could not be read yet, last tried %s: %s", w.when(w.reading.TriedAt), clean(w.reading.Trouble)))
	case w.reading.Trouble != "":
		out = append(out, fmt.Sprintf("it could not be read, last tried %s: %s. What was read %s stays in force", w.when(w.reading.TriedAt), clean(w.reading.Trouble), w.when(w.reading.ReadAt)))
	case len(w.versions) == 0:
		out = append(out, fmt.Sprintf("%s, read %s; no change this week", fixity.Count(w.reading.Rows, "row"), w.day(w.reading.ReadAt)))
	case w.versions[0].N == 1 && len(w.versions) == 1:
		out = append(out, fmt.Sprintf("%s, read for the first time %s", fixity.Count(w.reading.Rows, "row"), w.day(w.versions[0].At)))
	default:
		out = append(out, fmt.Sprintf("%s, read %s; this week: %s", fixity.Count(w.reading.Rows, "row"), w.day(w.reading.ReadAt), report.RegisterChanges(sum)))
	}
	var open []ledger.Finding
	for _, f := range w.tidy {
		if f.Subject == fixity.OfRegister && f.Kind != fixity.NotRead {
			open = append(open, f)
		}
	}
	if len(open) > 0 {
		var what []string
		for _, f := range open {
			what = append(what, report.RegisterShort(f))
		}
		out = append(out, fmt.Sprintf("[%s] waits for you: %s. What to do: %s", numbers(open), fixity.And(what), w.show(open[0])))
	}
	return out
}
