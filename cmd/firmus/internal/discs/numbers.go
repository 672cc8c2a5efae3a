package discs

import (
	"cmp"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"unicode"
	"unicode/utf8"

	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
	"firmus/fixity/spelling"
)

// discNumber takes what is written on a disc apart: letters, digits, the twin's letter.
var discNumber = expr.Once(`^([A-Z]*(?:[-_ ]+[A-Z]+)*)[-_ ]*([0-9]+)[-_ ]*([A-Z]?)$`)

// between is what may stand between the parts of a number.
var between = expr.Once(`[-_ ]+`)

// MostNumber is the longest number of a disc, in bytes.
const MostNumber = 64

// normalised is a number as all discs' numbers are kept. Of letters and digits "qd 31",
// "QD_31" and "QD-0031" are one, and a letter behind it is the twin; digits alone are a
// number, too. Any other text without line breaks is a number as it stands, and plain is
// false then.
func normalised(typed string) (number, twin string, plain bool, err error) {
	text := strings.TrimSpace(typed)
	if text == "" || len(text) > MostNumber || !utf8.ValidString(text) || strings.ContainsFunc(text, unicode.IsControl) {
		return "", "", false, fmt.Errorf("%q is no number of a disc: that is a text in one line, of 1 to %d bytes, such as QD-0031 or QD-0031 A: %w", typed, MostNumber, fixity.ErrRefused)
	}
	m := discNumber().FindStringSubmatch(strings.ToUpper(text))
	if m == nil {
		return text, "", false, nil
	}
	digits := strings.TrimLeft(m[2], "0")
	if len(digits) > 12 {
		return text, "", false, nil
	}
	n, _ := strconv.ParseInt("0"+digits, 10, 64) // at most 12 digits
	number = fmt.Sprintf("%04d", n)
	if letters := strings.Trim(between().ReplaceAllString(m[1], "-"), "-"); letters != "" {
		number = letters + "-" + number
	}
	return number, m[3], true, nil
}

// Ref is a disc as a person names it.
type Ref struct {
	Number, Twin string
	Part         int
}

// partOf finds "part 2" behind a number, and a letter behind that.
var partOf = expr.Once(`(?i)\s+part\s+([0-9]{1,4})(\s+[A-Z])?\s*$`)

// lettered finds a letter behind a text.
var lettered = expr.Once(`^(.*\S)\s+([A-Za-z])$`)

// parts takes what was typed apart; plain: its number is letters and digits.
func parts(typed string) (r Ref, plain bool, err error) {
	if m := partOf().FindStringSubmatchIndex(typed); m != nil {
		r.Part, _ = strconv.Atoi(typed[m[2]:m[3]]) // at most four digits
		if m[4] >= 0 {
			r.Twin = strings.ToUpper(strings.TrimSpace(typed[m[4]:m[5]]))
		}
		typed = typed[:m[0]]
	}
	number, twin, plain, err := normalised(typed)
	r.Number, r.Twin = number, cmp.Or(r.Twin, twin)
	return r, plain, err
}

// New takes the number of a disc apart that is to be registered, just as it is typed; all
// are the registered ones. A text in other capitals than a registered one is that one. It
// is refused if the disc would have the name of another.
func New(typed string, all []ledger.Disc) (Ref, error) {
	r, plain, err := parts(typed)
	if err != nil || plain {
		return r, err
	}
	for _, d := range all {
		if strings.EqualFold(d.Number, r.Number) {
			r.Number = d.Number
		}
	}
	return r, nil
}

// Parse takes what a person typed of a registered disc apart; all are those. Digits alone
// serve where one registered number has them. Where several do it is refused, and they are
// named. A letter behind a text is the twin where such a disc is registered. All that is
// written on a disc leads to that one, also where it is the number of another.
func Parse(typed string, all []ledger.Disc) (Ref, error) {
	for _, d := range all {
		if strings.EqualFold(d.Name(), strings.TrimSpace(typed)) {
			return Ref{Number: d.Number, Twin: d.Twin, Part: d.Part}, nil
		}
	}
	r, plain, err := parts(typed)
	if err != nil || strings.Contains(r.Number, "-") && plain {
		return r, err
	}
	if !plain {
		return inWords(r, all), nil
	}
	var fits []string
	for _, d := range all {
		if d.Number == r.Number && strings.HasPrefix(strings.TrimSpace(typed), r.Number) {
			return r, nil // just so it is written
		}
		if _, _, digits, _ := normalised(d.Number); digits && d.Number[strings.LastIndexByte(d.Number, '-')+1:] == r.Number && !slices.Contains(fits, d.Number) {
			fits = append(fits, d.Number)
		}
	}
	switch len(fits) {
	case 0:
		return r, nil
	case 1:
		r.Number = fits[0]
		return r, nil
	}
	return r, fmt.Errorf("%q may be %s: write the whole number: %w", typed, strings.Join(fits, " or "), fixity.ErrRefused)
}

// inWords finds a number that is a text among the registered ones.
func inWords(r Ref, all []ledger.Disc) Ref {
	for _, d := range all {
		if strings.EqualFold(d.Number, r.Number) {
			r.Number = d.Number
			return r
		}
	}
	if m := lettered().FindStringSubmatch(r.Number); m != nil {
		for _, d := range all {
			if strings.EqualFold(d.Number, m[1]) && strings.EqualFold(d.Twin, m[2]) {
				return Ref{Number: d.Number, Twin: d.Twin, Part: r.Part}
			}
		}
	}
	return r
}

// Name is the disc as it would be registered.
func (r Ref) Name() string { return ledger.Disc{Number: r.Number, Twin: r.Twin, Part: r.Part}.Name() }

// Fits are the discs that it may mean: several, if it doesn't say which twin or part.
func (r Ref) Fits(all []ledger.Disc) (out []ledger.Disc) {
	for _, d := range all {
		if d.Number == r.Number && (r.Twin == "" || d.Twin == r.Twin) && (r.Part == 0 || d.Part == r.Part) {
			out = append(out, d)
		}
	}
	return out
}

// None is why no disc fits.
func (r Ref) None(all []ledger.Disc) error {
	var numbers []string
	for _, d := range all {
		numbers = append(numbers, d.Number)
		if d.Number == r.Number {
			return fmt.Errorf("of %s no disc %s is registered: %w", r.Number, r.Name(), fixity.ErrRefused)
		}
	}
	return fmt.Errorf("no disc %s is registered%s: %w", r.Number, spelling.Ask(r.Number, slices.Compact(numbers)), fixity.ErrRefused)
}

// Find finds the registered disc that a person names. It is refused where there is none,
// and where there are several and the name doesn't say which.
func Find(typed string, all []ledger.Disc) (ledger.Disc, error) {
	r, err := Parse(typed, all)
	if err != nil {
		return ledger.Disc{}, err
	}
	switch fits := r.Fits(all); len(fits) {
	case 0:
		return ledger.Disc{}, r.None(all)
	case 1:
		return fits[0], nil
	default:
		return ledger.Disc{}, fmt.Errorf("there are %s: say which, with all that is written on the disc: %w", Names(fits), fixity.ErrRefused)
	}
}
