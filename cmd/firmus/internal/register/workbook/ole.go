package workbook

import (
	"bytes"
	"context"
	"errors"
	"unicode/utf16"

	"firmus/cmd/firmus/internal/register"
)

// openOLE opens what has the container of old office files: a workbook with a password, or
// one of before 2007.
func openOLE(ctx context.Context, text []byte, o Options) (register.Book, error) {
	holds := func(part string) bool { return bytes.Contains(text, wide(part)) }
	switch {
	case !holds("EncryptedPackage") && !holds("Workbook") && !holds("Book") && !holds("WordDocument"):
		return register.Book{}, unreadable(register.Damaged, damaged, errors.New("it begins like an old office file or a workbook with a password, and holds neither"))
	case !holds("EncryptedPackage"):
		return none("this is a workbook of the kind used before 2007 (XLS), or another old office file. Save it as XLSX or ODS")
	case o.Password == "":
		return register.Book{}, unreadable(register.Locked, `the workbook has a password. Put the password into a file of its own, and name that file below [register]: password_file = "register-password"`)
	}
	plain, err := decrypt(text, o.Password)
	if errors.Is(err, errPassword) {
		return register.Book{}, unreadable(register.Locked, "the password in password_file below [register] isn't the workbook's")
	}
	if err != nil {
		return register.Book{}, unreadable(register.Damaged, damaged, err)
	}
	if !bytes.HasPrefix(plain, zipSign) {
		return register.Book{}, unreadable(register.Damaged, damaged, errors.New("what its password opens is no workbook"))
	}
	return openZip(ctx, plain)
}

// wide is a text as names of parts stand in the container.
func wide(s string) []byte {
	var out []byte
	for _, u := range utf16.Encode([]rune(s)) {
		out = append(out, byte(u), byte(u>>8))
	}
	return out
}
