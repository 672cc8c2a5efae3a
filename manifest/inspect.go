package manifest

import (
	"context"
	"errors"
	"fmt"
	"iter"
	"slices"
	"strings"

	"firmus/fixity"
)

// inspectAll looks through the lists once: lines that can't be read, paths that
// lead out, and whether the paths are in order.
func (c *check) inspectAll(ctx context.Context, lists []List) error {
	for _, l := range lists {
		in, err := c.inspect(ctx, l)
		if errors.Is(err, fixity.ErrUnreadable) {
			c.unread, c.res.unread = true, true
			c.problem(Problem{Kind: Unreadable, Path: l.Name, Lists: []string{l.Name}, Detail: err.Error()})
			continue
		}
		if err != nil {
			return fmt.Errorf("read %q: %w", l.Name, err)
		}
		c.lists = append(c.lists, in)
	}
	return nil
}

func (c *check) inspect(ctx context.Context, l List) (*list, error) {
	if l.Bad == "" {
		l.Bad = BadLine
	}
	sorted := true
	last := ""
	for line, err := range l.Lines() {
		var bad *LineError
		if errors.As(err, &bad) {
			c.problem(Problem{Kind: l.Bad, Path: l.Name, Lists: []string{l.Name}, Line: bad.Line, Detail: bad.Detail})
			continue
		}
		if err != nil {
			return nil, err
		}
		if ctx.Err() != nil {
			return nil, context.Cause(ctx)
		}
		if why, always := Leaves(line.Path, c.rules.System); always {
			c.problem(Problem{Kind: Outside, Path: line.Path, Lists: []string{l.Name}, Line: line.Number, Detail: why})
			continue
		}
		sorted = sorted && last <= line.Path
		last = line.Path
	}
	in := &list{List: l}
	in.lines = func() iter.Seq2[Line, error] { return c.inside(l.Lines()) }
	if sorted {
		return in, nil
	}
	var all []Line
	for line, err := range in.lines() {
		if err != nil {
			return nil, err
		}
		all = append(all, line)
	}
	slices.SortStableFunc(all, func(a, b Line) int { return strings.Compare(a.Path, b.Path) })
	in.lines = func() iter.Seq2[Line, error] {
		return func(yield func(Line, error) bool) {
			for _, line := range all {
				if !yield(line, nil) {
					return
				}
			}
		}
	}
	return in, nil
}

// inside drops lines that were told as problems already, and readings that lead out.
func (c *check) inside(lines iter.Seq2[Line, error]) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		for line, err := range lines {
			var bad *LineError
			if errors.As(err, &bad) {
				continue
			}
			if err == nil {
				if _, always := Leaves(line.Path, c.rules.System); always {
					continue
				}
				line.Others = slices.DeleteFunc(line.Others, func(r Interpretation) bool {
					_, always := Leaves(r.Path, c.rules.System)
					return always
				})
			}
			if !yield(line, err) {
				return
			}
		}
	}
}
