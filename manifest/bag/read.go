package bag

import (
	"errors"
	"io"
	"iter"
	"strings"

	"firmus/manifest"
)

// manifest reads the lines of a payload or tag manifest.
func (in *listing) manifest(r io.Reader, first bool) iter.Seq2[manifest.Line, error] {
	o := manifest.ReadOptions{Algorithm: in.alg, Rule: manifest.BagRule}
	if in.v.decl.before(1, 0) {
		o.Rule = manifest.OldBagRule
	}
	if first {
		o.Warn = func(why manifest.Reason, line int) {
			in.v.warn.Add(manifest.Warning{Reason: why, File: in.name, Line: line})
		}
	}
	return manifest.Read(r, o)
}

// fetch reads the lines of fetch.txt.
func (in *listing) fetch(r io.Reader, first bool) iter.Seq2[manifest.Line, error] {
	return func(yield func(manifest.Line, error) bool) {
		n := 0
		for text, err := range manifest.TextLines(r) {
			n++
			l := manifest.Line{Number: n}
			var long *manifest.LineError
			switch {
			case err != nil && !errors.As(err, &long):
				yield(l, err)
				return
			case err == nil && strings.Trim(text, " \t") == "":
				if first {
					in.v.warn.Add(manifest.Warning{Reason: manifest.BlankLine, File: in.name, Line: n})
				}
				continue
			case err == nil:
				f, bad := ParseFetch(text, !in.v.decl.before(1, 0))
				if bad != nil {
					err = &manifest.LineError{Line: n, Detail: bad.Error()}
				}
				l.Path, l.Size, l.Sized = f.Path, f.Length, f.Length >= 0
			}
			if !yield(l, err) {
				return
			}
		}
	}
}
