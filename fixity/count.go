package fixity

import (
	"fmt"
	"strings"
)

// Number has commas between the thousands.
func Number(n int64) string {
	s := fmt.Sprint(n)
	for i := len(s) - 3; i > 0 && s[i-1] != '-'; i -= 3 {
		s = s[:i] + "," + s[i:]
	}
	return s
}

// Count is a number with its noun, given in the singular: "1 copy", "2,000 copies". It is
// the only rule for plurals that there is.
func Count[N int | int64](n N, noun string) string {
	return Number(int64(n)) + " " + Plural(int64(n), noun)
}

// Counted is Count with a verb: "1 file is", "3 files are".
func Counted[N int | int64](n N, noun, one, many string) string {
	return Count(n, noun) + " " + OneOr(n, one, many)
}

// OneOr chooses the word that goes with a number.
func OneOr[N int | int64](n N, one, many string) string {
	if n == 1 {
		return one
	}
	return many
}

// And joins words: "a, b and c".
func And(words []string) string {
	if len(words) < 2 {
		return strings.Join(words, "")
	}
	return strings.Join(words[:len(words)-1], ", ") + " and " + words[len(words)-1]
}

// Plural is a noun as it follows a number. Of several words the last counts.
func Plural(n int64, noun string) string {
	if n == 1 {
		return noun
	}
	if stem, ok := strings.CutSuffix(noun, "y"); ok && stem != "" && !strings.ContainsAny(stem[len(stem)-1:], "aeiou") {
		return stem + "ies"
	}
	for _, end := range []string{"s", "x", "ch", "sh"} {
		if strings.HasSuffix(noun, end) {
			return noun + "es"
		}
	}
	return noun + "s"
}
