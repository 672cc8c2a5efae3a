package manifest

import (
	"fmt"
	"slices"
	"strings"

	"firmus/fixity"
)

// Rule says how the lines of a list are read.
type Rule uint8

// Rules for reading lists.
const (
	FolderRule Rule = iota // a folder manifest: two characters are the separator, 1.0 percent-coding
	BagRule                // RFC 8493, version 1.0
	OldBagRule             // bags below version 1.0: paths stand as they are
	ListRule               // a list of a checksum program: two characters, no percent-coding
)

// Line is one line of a list.
type Line struct {
	Number         int              // counted from 1
	Digest         fixity.Digest    // zero in a list without digests
	Interpretation                  // the first way to read the path
	Others         []Interpretation // other ways, to be tried in order where no such file is there
	Size           int64            // bytes that the list says the file has
	Sized          bool             // Size is said
}

// Interpretation is one way to read a line's path.
type Interpretation struct {
	Path    string   // the file name's bytes; "" where the line is a digest alone
	Reasons []Reason // why this reading asks for a warning
}

// parse reads one line without its end. alg is "" if the line itself must tell.
func parse(s string, alg fixity.Algorithm, rule Rule) (Line, error) {
	escaped := strings.HasPrefix(s, `\`)
	s = strings.TrimPrefix(s, `\`)
	if l, ok, err := parseTagged(s, escaped, alg, rule); ok {
		return l, err
	}
	n := 0
	for n < len(s) && hexDigit(s[n]) {
		n++
	}
	if n == 0 || n < len(s) && !blank(s[n]) {
		return Line{}, fmt.Errorf("it doesn't begin with a digest and a blank")
	}
	d, guess, err := parseSum(s[:n], alg)
	if err != nil {
		return Line{}, err
	}
	rest := s[n:]
	if strings.TrimLeft(rest, " \t") == "" && rule != FolderRule {
		if rule == ListRule {
			return Line{Digest: d, Interpretation: Interpretation{"", with(guess, DigestOnly)}}, nil
		}
		return Line{}, fmt.Errorf("it names no file")
	}
	readings, err := interpretations(rest, escaped, rule)
	if err != nil {
		return Line{}, err
	}
	return line(d, readings, guess), nil
}

func line(d fixity.Digest, r []Interpretation, also []Reason) Line {
	l := Line{Digest: d, Interpretation: r[0], Others: r[1:]}
	l.Reasons = append(slices.Clone(also), l.Reasons...)
	if len(l.Others) == 0 {
		l.Others = nil
	}
	return l
}

// parseTagged reads "ALG (name) = hex", the form that names its algorithm.
func parseTagged(s string, escaped bool, alg fixity.Algorithm, rule Rule) (l Line, ok bool, err error) {
	head, rest, _ := strings.Cut(s, "(")
	shut := strings.LastIndexByte(rest, ')')
	if shut < 0 {
		return Line{}, false, nil
	}
	named := ParseAlgorithm(strings.TrimSuffix(head, " "))
	sum, found := strings.CutPrefix(strings.TrimLeft(rest[shut+1:], " "), "=")
	if named == "" || !found {
		return Line{}, false, nil
	}
	if alg != "" && alg != named {
		return Line{}, true, fmt.Errorf("its digest is by %s in a list of %s", named, alg)
	}
	d, _, err := parseSum(strings.Trim(sum, " \t"), named)
	if err != nil {
		return Line{}, true, err
	}
	name := rest[:shut]
	if escaped {
		if name, err = unescape(name); err != nil {
			return Line{}, true, err
		}
	}
	var all collector
	all.add(name, rule, true, Tagged)
	if len(all) == 0 {
		return Line{}, true, fmt.Errorf("it names no file")
	}
	var also []Reason
	if escaped {
		also = []Reason{Escaped}
	}
	return line(d, all, also), true, nil
}

// parseSum reads hex digits; without an algorithm their number tells it.
func parseSum(sum string, alg fixity.Algorithm) (fixity.Digest, []Reason, error) {
	var why []Reason
	if alg == "" {
		for _, a := range []fixity.Algorithm{fixity.MD5, fixity.SHA1, fixity.SHA224, fixity.SHA256, fixity.SHA384, fixity.SHA512} {
			if len(sum) == 2*a.Size() {
				alg = a
			}
		}
		switch alg {
		case "":
			return fixity.Digest{}, nil, fmt.Errorf("no known digest has %d hexadecimal digits", len(sum))
		case fixity.SHA256: // BLAKE3 is as long
			why = []Reason{Ambiguous}
		}
	}
	d, err := fixity.ParseDigest(alg, sum)
	return d, why, err
}

// interpretations are the ways to read what stands behind the digest, the best first.
func interpretations(rest string, escaped bool, rule Rule) ([]Interpretation, error) {
	trimmed := strings.TrimLeft(rest, " \t")
	if escaped {
		name, err := unescape(strings.TrimPrefix(trimmed, "*"))
		if err != nil {
			return nil, err
		}
		var all collector
		all.add(name, rule, true, Escaped)
		if len(all) == 0 {
			return nil, fmt.Errorf("it names no file")
		}
		return all, nil
	}
	bare, starred := strings.CutPrefix(trimmed, "*")
	var all collector
	if rule == BagRule || rule == OldBagRule {
		if starred {
			all.add(bare, rule, false, Star)
		}
		all.add(trimmed, rule, false)
	} else {
		if len(rest) > 2 && (blank(rest[1]) || rest[1] == '*') {
			if rest[1] == '*' {
				all.add(rest[2:], rule, false, Star)
			} else {
				all.add(rest[2:], rule, false)
			}
		}
		var why []Reason
		if len(all) > 0 && !starred {
			why = []Reason{Blanks}
		}
		all.add(trimmed, rule, false, why...)
		if starred {
			all.add(bare, rule, false, Star)
		}
		if strings.Contains(trimmed, `\`) {
			slashes := []Reason{Backslash}
			if starred {
				slashes = []Reason{Star, Backslash}
			}
			all.add(strings.ReplaceAll(bare, `\`, "/"), rule, false, slashes...)
		}
	}
	if len(all) == 0 {
		return nil, fmt.Errorf("it names no file")
	}
	return all, nil
}

type collector []Interpretation

// add takes in the readings of raw by rule: with and without percent-coding,
// without a "./". A path that is there already isn't added again.
func (c *collector) add(raw string, rule Rule, literal bool, why ...Reason) {
	if short, found := strings.CutPrefix(raw, "./"); found {
		raw, why = short, with(why, DotSlash)
	}
	put := func(path string, why []Reason) {
		if path == "" || slices.ContainsFunc(*c, func(r Interpretation) bool { return r.Path == path }) {
			return
		}
		*c = append(*c, Interpretation{path, why})
	}
	if literal || rule == ListRule || strings.IndexByte(raw, '%') < 0 {
		put(raw, why)
		return
	}
	if rule == OldBagRule {
		put(raw, why)
		coded, _ := decode(raw, false)
		put(coded, with(why, OldCoding))
		return
	}
	path, bare := Decode(raw)
	if bare {
		put(path, with(why, BareMark))
	} else {
		put(path, why)
	}
	if rule == FolderRule {
		put(raw, with(why, OldCoding))
	}
}

func with(why []Reason, r Reason) []Reason { return append(slices.Clone(why), r) }

// unescape reads a name as checksum programs write it in a line that begins
// with a backslash.
func unescape(s string) (string, error) {
	var b strings.Builder
	for i := 0; i < len(s); i++ {
		if s[i] != '\\' {
			b.WriteByte(s[i])
			continue
		}
		i++
		switch {
		case i < len(s) && s[i] == '\\':
			b.WriteByte('\\')
		case i < len(s) && s[i] == 'n':
			b.WriteByte('\n')
		case i < len(s) && s[i] == 'r':
			b.WriteByte('\r')
		default:
			return "", fmt.Errorf(`its name holds a "\" that stands for nothing`)
		}
	}
	return b.String(), nil
}

func blank(c byte) bool { return c == ' ' || c == '\t' }

func hexDigit(c byte) bool {
	return '0' <= c && c <= '9' || 'a' <= c|0x20 && c|0x20 <= 'f'
}
