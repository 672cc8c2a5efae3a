package workbook

import (
	"archive/zip"
	"bytes"
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"strings"

	"firmus/cmd/firmus/internal/register"
)

// archive is a zip file whose every part was read to its end and held against its checksum.
// Its reading ends with ctx.
type archive struct {
	ctx   context.Context
	parts map[string]*zip.File
}

const damaged = "the file is damaged or cut short (%v). Open it in the spreadsheet program, look it through, and save it anew; or take an earlier copy of it"

// openZip opens XLSX and ODS. All of the file is unpacked once before anything is believed.
func openZip(ctx context.Context, text []byte) (register.Book, error) {
	if bytes.Count(text, []byte("PK\x01\x02")) > mostParts { // entries of its directory, each of which takes room
		return register.Book{}, unreadable(register.TooLarge, "the file has more than %d parts", mostParts)
	}
	z, err := zip.NewReader(bytes.NewReader(text), int64(len(text)))
	if err != nil {
		return register.Book{}, unreadable(register.Damaged, damaged, err)
	}
	a := archive{ctx, map[string]*zip.File{}}
	left := int64(mostBytes)
	for _, f := range z.File {
		name := strings.TrimPrefix(strings.ReplaceAll(f.Name, `\`, "/"), "/")
		if _, twice := a.parts[name]; twice {
			return register.Book{}, unreadable(register.Damaged, damaged, fmt.Errorf("its part %s is there twice", name))
		}
		a.parts[name] = f
		if f.Flags&1 != 0 {
			return register.Book{}, unreadable(register.Locked, "the file is a zip with a password of its own. Save the spreadsheet without it")
		}
		in, err := f.Open()
		if err != nil {
			return register.Book{}, unreadable(register.Damaged, damaged, partly(name, err))
		}
		n, err := io.Copy(io.Discard, io.LimitReader(&breaks{ctx, in}, left+1))
		if ctx.Err() != nil {
			return register.Book{}, context.Cause(ctx)
		}
		if left -= n; left < 0 {
			return register.Book{}, unreadable(register.TooLarge, "the file unpacks to more than %d MiB, which no register does", mostBytes>>20)
		}
		if err = errors.Join(err, in.Close()); err != nil {
			return register.Book{}, unreadable(register.Damaged, damaged, partly(name, err))
		}
	}
	var b register.Book
	switch {
	case a.parts["META-INF/manifest.xml"] != nil && a.parts["content.xml"] != nil:
		b, err = openODS(a)
	case a.parts["xl/workbook.bin"] != nil:
		return none("this is a binary workbook (XLSB). Save it as XLSX or ODS")
	case a.parts["[Content_Types].xml"] != nil:
		b, err = openXLSX(a)
	default:
		return none("this is a zip file, but no XLSX or ODS spreadsheet. Name the spreadsheet itself, or save it as one of these")
	}
	if err == nil && a.macros() {
		b.Notes = append(b.Notes, "The workbook holds macros. Firmus runs none of them, and reads the values that were saved with it.")
	}
	return b, err
}

// macros says that the file holds programs. They are never looked at.
func (a archive) macros() bool {
	for name := range a.parts {
		if path.Base(name) == "vbaProject.bin" || strings.HasPrefix(name, "xl/macrosheets/") || strings.HasPrefix(name, "Basic/") || strings.HasPrefix(name, "Scripts/") {
			return true
		}
	}
	return false
}

func partly(name string, err error) error {
	return fmt.Errorf("its part %s: %s", name, strings.TrimPrefix(err.Error(), "zip: "))
}

// read walks through a part's elements to its end. A part that isn't there has none.
func (a archive) read(ctx context.Context, name string, each func(*scanner) error) error {
	f := a.parts[name]
	if f == nil {
		return nil
	}
	in, err := f.Open()
	if err != nil {
		return unreadable(register.Damaged, damaged, partly(name, err))
	}
	defer in.Close()
	s := newScanner(&breaks{ctx, in})
	if err := each(s); err != nil {
		return s.wrong(name, err)
	}
	if err := s.rest(); err != nil {
		return s.wrong(name, err)
	}
	return nil
}
