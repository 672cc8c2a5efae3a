package manifest

import (
	"errors"
	"io"
	"iter"
	"strings"

	"firmus/fixity"
)

// ReadOptions say what kind of list is read.
type ReadOptions struct {
	Algorithm fixity.Algorithm // of its digests; "" if the lines tell it, by their form or by the digest's length
	Rule      Rule
	Warn      func(Reason, int) // if set, told what was passed over (byte order mark, empty line, comment), with the line
}

// Read yields the lines of the list r in their order. A line that can't be read
// is yielded as an error that is a *LineError, and the next lines follow; an
// error of r is yielded unchanged and is the last. No more than one line is held
// in memory, whatever the length of the list (see MaxLineBytes).
//
// Warnings that belong to a line are in its Reasons.
func Read(r io.Reader, o ReadOptions) iter.Seq2[Line, error] {
	return func(yield func(Line, error) bool) {
		warn := func(why Reason, line int) {
			if o.Warn != nil {
				o.Warn(why, line)
			}
		}
		in := r
		if o.Rule == FolderRule || o.Rule == ListRule {
			var why Reason
			if in, why = plainText(r); why != "" {
				warn(why, 1)
			}
		}
		n := 0
		for text, err := range TextLines(in) {
			n++
			var l Line
			var bad *LineError
			switch {
			case err != nil && !errors.As(err, &bad):
				yield(Line{}, err)
				return
			case err != nil:
				bad.Line = n
			case strings.Trim(text, " \t") == "":
				warn(BlankLine, n)
				continue
			case o.Rule == ListRule && strings.IndexByte("#;", text[0]) >= 0:
				warn(Comment, n)
				continue
			case strings.IndexByte(text, 0) >= 0:
				err = &LineError{n, "it holds a NUL"}
			default:
				if l, err = parse(text, o.Algorithm, o.Rule); err != nil {
					err = &LineError{n, err.Error()}
				}
				l.Number = n
			}
			if !yield(l, err) {
				return
			}
		}
	}
}
