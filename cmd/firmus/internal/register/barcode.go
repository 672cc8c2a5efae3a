package register

import "strings"

func isDigits(s string) bool { return s != "" && strings.Trim(s, "0123456789") == "" }

// digitsOf is a barcode as it is compared. Readers may send the letters A to D with which
// Codabar begins and ends (ANSI/AIM BC3, from memory); "" is not a barcode.
func digitsOf(s string) string {
	d := strings.Trim(loosely(s), "ABCD")
	if !isDigits(d) {
		return loosely(s)
	}
	return d
}
