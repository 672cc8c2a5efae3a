package acts

import (
	"fmt"
	"regexp"
	"strconv"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// discNumber takes what is written on a disc apart: letters, digits, the twin's letter.
var discNumber = regexp.MustCompile(`^([A-Z]*(?:[-_ ]+[A-Z]+)*)[-_ ]*([0-9]+)[-_ ]*([A-Z]?)$`)

// between is what may stand between the parts of a number.
var between = regexp.MustCompile(`[-_ ]+`)

// normalised is a number as all discs' numbers are kept: "qd 31", "QD_31" and "QD-0031"
// are one, and a letter behind it is the twin. prefix stands for letters that weren't
// typed.
func normalised(typed, prefix string) (number, twin string, err error) {
	m := discNumber.FindStringSubmatch(strings.ToUpper(strings.TrimSpace(typed)))
	if m == nil {
		return "", "", fmt.Errorf("%q is no number of a disc, such as QD-0031 or QD-0031 A: %w", typed, fixity.ErrRefused)
	}
	letters := strings.Trim(between.ReplaceAllString(m[1], "-"), "-")
	if letters == "" {
		letters = prefix
	}
	if letters == "" {
		return "", "", fmt.Errorf("%q has no letters before the digits, and the registered discs don't say which ones: write the whole number: %w", typed, fixity.ErrRefused)
	}
	digits := strings.TrimLeft(m[2], "0")
	if len(digits) > 12 {
		return "", "", fmt.Errorf("%q is no number of a disc: %w", typed, fixity.ErrRefused)
	}
	n, _ := strconv.ParseInt("0"+digits, 10, 64) // at most 12 digits
	return fmt.Sprintf("%s-%04d", letters, n), m[3], nil
}

// prefixOf is the letters that all registered numbers begin with; "" if there are none,
// or several.
func prefixOf(discs []ledger.Disc) string {
	prefix := ""
	for _, d := range discs {
		p := d.Number[:max(0, strings.LastIndexByte(d.Number, '-'))]
		if prefix != "" && p != prefix {
			return ""
		}
		prefix = p
	}
	return prefix
}

// discRef is a disc as a person names it.
type discRef struct {
	number, twin string
	part         int
}

// partOf finds "part 2" in what was typed.
var partOf = regexp.MustCompile(`(?i)\s+part\s+([0-9]{1,4})\b`)

func parseRef(typed, prefix string) (discRef, error) {
	var r discRef
	if m := partOf.FindStringSubmatch(typed); m != nil {
		r.part, _ = strconv.Atoi(m[1]) // at most four digits
		typed = partOf.ReplaceAllString(typed, "")
	}
	var err error
	r.number, r.twin, err = normalised(typed, prefix)
	return r, err
}

// findDisc finds the registered disc that a person names. It is refused where there is
// none, and where there are several and the name doesn't say which.
func findDisc(t *ledger.Tx, typed string) (ledger.Disc, error) {
	all, err := t.Discs()
	if err != nil {
		return ledger.Disc{}, err
	}
	r, err := parseRef(typed, prefixOf(all))
	if err != nil {
		return ledger.Disc{}, err
	}
	var fits []ledger.Disc
	numbered := false
	for _, d := range all {
		if d.Number != r.number {
			continue
		}
		numbered = true
		if (r.twin == "" || d.Twin == r.twin) && (r.part == 0 || d.Part == r.part) {
			fits = append(fits, d)
		}
	}
	switch {
	case len(fits) == 1:
		return fits[0], nil
	case len(fits) > 1:
		return ledger.Disc{}, fmt.Errorf("there are %s: say which, with all that is written on the disc: %w", names(fits), fixity.ErrRefused)
	case numbered:
		return ledger.Disc{}, fmt.Errorf("of %s no disc %s is registered: %w", r.number, ledger.Disc{Number: r.number, Twin: r.twin, Part: r.part}.Name(), fixity.ErrRefused)
	}
	return ledger.Disc{}, fmt.Errorf("no disc %s is registered (\"firmus disc add\" registers one): %w", r.number, fixity.ErrRefused)
}

func names(ds []ledger.Disc) string {
	out := make([]string, len(ds))
	for i, d := range ds {
		out[i] = d.Name()
	}
	if len(out) < 2 {
		return strings.Join(out, "")
	}
	return strings.Join(out[:len(out)-1], ", ") + " and " + out[len(out)-1]
}
