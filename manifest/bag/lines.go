package bag

import (
	"context"
	"errors"
	"iter"
	"slices"
	"strings"

	"firmus/fixity"
	"firmus/manifest"

	"golang.org/x/text/encoding/unicode"
)

// listing is one manifest or fetch.txt of a bag as it is read. What is wrong with
// its text is told when it is read for the first time.
type listing struct {
	v      *verifying
	name   string
	alg    fixity.Algorithm
	accept func(l manifest.Line, first bool) bool // says that a line is to be judged
	told   bool
}

// lines is for manifest.List: each call reads from the beginning.
func (in *listing) lines(ctx context.Context) func() iter.Seq2[manifest.Line, error] {
	return func() iter.Seq2[manifest.Line, error] {
		first := !in.told
		in.told = true
		return func(yield func(manifest.Line, error) bool) {
			r, err := in.v.f.Open(ctx, in.v.root[in.name], 0)
			if err != nil {
				yield(manifest.Line{}, err)
				return
			}
			defer r.Close()
			text, marked := decode(r, in.v.enc)
			if marked && first {
				in.v.marked(in.name)
			}
			odd := false
			read := in.manifest
			if in.alg == "" {
				read = in.fetch
			}
			for l, err := range read(text, first) {
				var line *manifest.LineError
				if err == nil && bad(l.Path, in.v.enc) {
					if first && !odd {
						in.v.notText(in.name, l.Number)
					}
					odd = true
				}
				if err == nil && !in.accept(l, first) {
					continue
				}
				if !yield(in.raw(l), err) || err != nil && !errors.As(err, &line) {
					return
				}
			}
		}
	}
}

// raw adds the reading of a line whose name lies on the medium as the bytes that
// stand in the list and not as what they mean.
func (in *listing) raw(l manifest.Line) manifest.Line {
	if in.v.enc == unicode.UTF8 || l.Path == "" {
		return l
	}
	b, err := in.v.enc.NewEncoder().String(l.Path)
	if err != nil || b == l.Path || strings.IndexByte(b, 0) >= 0 {
		return l
	}
	l.Others = append(slices.Clone(l.Others), manifest.Interpretation{Path: b, Reasons: []manifest.Reason{manifest.RawName}})
	return l
}

// forbid tells, the first time, of a line whose path isn't where the list's paths
// must be, and drops it. Paths that lead out on every system are kept: Check
// tells of those.
func (in *listing) forbid(l manifest.Line, first bool, detail string) bool {
	why, always := manifest.Leaves(l.Path, in.v.o.System)
	if always {
		return true
	}
	if first {
		p := manifest.Problem{Kind: manifest.Forbidden, Path: l.Path, Lists: []string{in.name}, Line: l.Number, Detail: detail}
		if why != "" {
			p.Kind, p.Detail = manifest.Outside, why
		}
		in.v.problem(p)
	}
	return false
}
