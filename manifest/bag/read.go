package bag

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"strings"

	"firmus/manifest"
)

// Rule is how manifests in bags of this version are read.
func (d Declaration) Rule() manifest.Rule {
	if d.before(1, 0) {
		return manifest.OldBagRule
	}
	return manifest.BagRule
}

// Text is r, a tag file of a bag with this declaration, in UTF-8 and without a
// byte order mark. Bytes that are no text become U+FFFD, except in UTF-8, where
// they stay. It fails if the encoding isn't known.
func (d Declaration) Text(r io.Reader) (io.Reader, error) {
	e, ok := encodingOf(d.Encoding)
	if !ok {
		return nil, fmt.Errorf("encoding %q is not known", d.Encoding)
	}
	text, _ := decode(r, e)
	return text, nil
}

// ReadDeclaration reads bagit.txt from r, as ParseDeclaration does. The error is
// r's own.
func ReadDeclaration(r io.Reader) (Declaration, *manifest.Problem, error) {
	text, err := io.ReadAll(io.LimitReader(r, maxDeclaration))
	if err != nil {
		return Declaration{}, nil, err
	}
	d, _, problem := ParseDeclaration(text)
	return d, problem, nil
}

// manifest reads the lines of a payload or tag manifest.
func (in *listing) manifest(r io.Reader, first bool) iter.Seq2[manifest.Line, error] {
	o := manifest.ReadOptions{Algorithm: in.alg, Rule: in.v.decl.Rule()}
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
