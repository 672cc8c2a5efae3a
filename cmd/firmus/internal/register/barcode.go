package register

import (
	"fmt"
	"math"
	"strings"

	"firmus/fixity/expr"
)

func isDigits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }

// digitsOf is a barcode as it is compared. Readers may send the letters A to D with which
// Codabar begins and ends (ANSI/AIM BC3, from memory).
func digitsOf(s string) string {
	l := loosely(s)
	if d := strings.Trim(l, "ABCD"); isDigits(d) {
		return d
	}
	return l
}

// check is a rule of check digits.
type check struct {
	name string
	ok   func(digits string) bool
}

var checks = []check{{"luhn", luhn}, {"ean", ean}}

// luhn is ISO/IEC 7812-1: every second digit from the right is doubled.
func luhn(digits string) bool {
	sum := 0
	for i := range len(digits) {
		d := int(digits[len(digits)-1-i] - '0')
		if i%2 == 1 {
			if d *= 2; d > 9 {
				d -= 9
			}
		}
		sum += d
	}
	return sum%10 == 0
}

// ean is that of EAN-13 and ISBN-13: every second digit from the right counts three times.
func ean(digits string) bool {
	sum := 0
	for i := range len(digits) {
		sum += int(digits[len(digits)-1-i]-'0') * (1 + 2*(i%2))
	}
	return sum%10 == 0
}

var (
	exponent = expr.Once(`(?i)^\d(?:[.,]\d+)?E\+?\d+$`)
	// longNumber is the least length of what may have a check digit.
	longNumber = 8
	// wholeDigits is how many digits spreadsheet programs keep of a number.
	wholeDigits = 15
)

// AsPower says that a spreadsheet program left the first digits of a number alone: 3.02E+13.
func AsPower(s string) bool { return exponent().MatchString(strings.TrimSpace(s)) }

// carrierNumber is what the cell says as digits, even if the cell shows 3.02E+13 of them.
func carrierNumber(c Cell) string {
	if c.IsNumber && c.Number >= 1e7 && c.Number < 1<<53 && c.Number == math.Trunc(c.Number) {
		shown := digitsOf(c.Text)
		if AsPower(c.Text) || !isDigits(shown) {
			return fmt.Sprintf("%.0f", c.Number)
		}
	}
	return digitsOf(strings.TrimSuffix(strings.TrimSpace(c.Text), ".0"))
}

// column is what most of a column of numbers is like.
type column struct {
	of     int // values of digits
	length int // of most; 0: of different lengths
	check  *check
}

// enough is how many values a column must have before it shows a rule: fewer may pass by
// chance.
const enough = 5

func (t *tier) column(f Field) column {
	var values []string
	lengths := map[int]int{}
	for _, l := range t.lines {
		if v := carrierNumber(l.row.Cells[f]); isDigits(v) && len(v) >= longNumber {
			values = append(values, v)
			lengths[len(v)]++
		}
	}
	c := column{of: len(values)}
	for n, of := range lengths {
		if of*2 > len(values) && len(values) >= enough {
			c.length = n
		}
	}
	most := 0
	for i, x := range checks {
		n := 0
		for _, v := range values {
			if x.ok(v) {
				n++
			}
		}
		switch t.settings.CheckDigits {
		case "":
			if n*2 > len(values) && len(values) >= enough && n > most {
				c.check, most = &checks[i], n
			}
		case x.name:
			c.check = &checks[i]
		}
	}
	return c
}

// barcodes compares barcodes with the files' names, and says what is wrong with them.
func (t *tier) barcodes() {
	c := t.column(Barcode)
	for _, l := range t.lines {
		cell := l.row.Cells[Barcode]
		text := strings.TrimSpace(cell.Text)
		if nothing[strings.ToLower(text)] {
			continue
		}
		v := carrierNumber(cell)
		if !t.damaged(l, Barcode, RuleBarcode, text, v, c) {
			t.otherBarcode(l, text, v)
		}
	}
}

// damaged says what a spreadsheet program did to a number, or that its check digit is wrong.
func (t *tier) damaged(l *line, f Field, rule Rule, text, v string, c column) bool {
	switch {
	case exponent().MatchString(text) && !isDigits(v):
		t.say(l, f, rule, DigitsHidden, text)
	case !isDigits(v) || len(v) < longNumber-3:
		return false
	case len(v) > wholeDigits && strings.Trim(v[wholeDigits:], "0") == "" && (c.check == nil || !c.check.ok(v)):
		t.say(l, f, rule, DigitsCut, text, len(v)-wholeDigits)
	case c.length > 0 && len(v) < c.length && c.length-len(v) <= 4:
		lost := c.length - len(v)
		padded := strings.Repeat("0", lost) + v
		switch {
		case c.check != nil && !c.check.ok(v) && !c.check.ok(padded):
			t.say(l, f, rule, DigitsFewer, text, len(v), c.length)
		default:
			t.say(l, f, rule, ZerosDropped, text, len(v), c.length, padded)
		}
	case c.length > 0 && len(v) != c.length:
		t.say(l, f, rule, DigitsFewer, text, len(v), c.length)
	case c.check != nil && !c.check.ok(v):
		t.say(l, f, RuleCheckDigit, WrongCheck, text)
	default:
		return false
	}
	return true
}

// otherBarcode compares a barcode with those in the names of the row's files.
func (t *tier) otherBarcode(l *line, text, v string) {
	for _, i := range l.reel.of(l.Side) {
		have := digitsOf(t.known.Files[i].Barcode)
		switch {
		case have == "" || have == v:
		case isDigits(have) && isDigits(v) && strings.TrimLeft(have, "0") == strings.TrimLeft(v, "0"):
			t.say(l, Barcode, RuleBarcode, ZerosLacking, text, t.known.Files[i].Path, have)
			return
		default:
			t.say(l, Barcode, RuleBarcode, OtherBarcode, text, have, t.known.Files[i].Path)
			return
		}
	}
}
