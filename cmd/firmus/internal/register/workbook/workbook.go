// Package workbook opens spreadsheets: XLSX, ODS and CSV become sheets of typed cells. It
// believes nothing that a file says about itself: sizes are counted, every part is read to
// its end and held against its checksum, and every element must be closed. A file that is
// damaged, cut short or made to fill the memory is an error that says so, never fewer rows.
//
// Kinds of file are told by their first bytes, never by their name. Nothing is written, and
// nothing in a file is run: macros and formulas aren't looked at, only what they came to.
package workbook

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"path/filepath"
	"strings"
	"syscall"
	"unicode"
	"unicode/utf8"

	"firmus/cmd/firmus/internal/register"
)

// Options say what a file doesn't tell by itself.
type Options struct {
	Encoding string // of a text: one of Encodings; "" finds out, or asks
	Password string // of an encrypted workbook
}

// MostFile is how many bytes a file may have, as it lies on the disk or in the cloud.
const MostFile = 128 << 20

// Limits of a file. No register comes near them.
const (
	mostBytes  = 1 << 30 // bytes, of all its parts unpacked
	mostNode   = 1 << 20 // bytes without a "<"
	mostCell   = 32_767  // characters of a cell, as spreadsheet programs have it
	mostCells  = 10_000_000
	mostLines  = 1_048_576
	mostInLine = 16_384
	mostText   = 64 << 20 // bytes of a sheet's texts, and of a file that is a text
	mostMerged = 200_000
	mostParts  = 20_000 // files in the zip
)

// File is a file that was read whole.
type File struct {
	Name   string
	Bytes  []byte
	SHA256 [sha256.Size]byte
	Notes  []string
}

// Load reads a file of this computer whole, twice. If it is changed while it is read, nothing
// of it is believed.
func Load(ctx context.Context, path string) (File, error) {
	return load(ctx, path, func(path string) (fs.File, error) {
		return os.OpenFile(path, os.O_RDONLY|syscall.O_NONBLOCK, 0) // a pipe put there meanwhile would hold us up for ever
	})
}

func look(path string) Sign {
	st, err := os.Stat(path)
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return Sign{Gone: true}
	case err != nil:
		return Sign{Size: -1}
	}
	return Sign{Size: st.Size(), At: st.ModTime()}
}

const noFile = "this is no file. Name the spreadsheet itself"

func tooLarge(n int64) string {
	return fmt.Sprintf("the file has %d MiB; a register has %d at most", (n+1<<20-1)>>20, MostFile>>20)
}

// breaks is a stream whose reading ends with a context.
type breaks struct {
	ctx context.Context
	r   io.Reader
}

func (b *breaks) Read(p []byte) (int, error) {
	if err := context.Cause(b.ctx); err != nil {
		return 0, gave{err}
	}
	return b.r.Read(p)
}

// tells is a stream that tells of each answer.
type tells struct {
	r        io.Reader
	answered func()
}

func (t tells) Read(p []byte) (int, error) {
	n, err := t.r.Read(p)
	t.answered()
	return n, err
}

func load(ctx context.Context, path string, open func(string) (fs.File, error)) (File, error) {
	f, err := ask(ctx, path, func(answered func()) (File, error) { return whole(ctx, path, open, answered) })
	if errors.Is(err, errSilent) {
		return File{}, &register.Unreadable{Why: register.Away, File: path, Text: "the drive or share that it lies on doesn't answer. Connect it, or restart the computer if it stays so", Err: err}
	}
	return f, err
}

// whole is load without its patience.
func whole(ctx context.Context, path string, open func(string) (fs.File, error), answered func()) (File, error) {
	fail := func(why register.Why, err error, text string) (File, error) {
		return File{}, &register.Unreadable{Why: why, File: path, Text: text, Err: err}
	}
	name := filepath.Base(path)
	if strings.HasPrefix(name, ".~lock.") || strings.HasPrefix(name, "~$") {
		return fail(register.NoSheets, nil, "this is the mark that a spreadsheet program leaves while a file is open. Name the spreadsheet itself")
	}
	st, err := os.Stat(path) // before it is opened: a device may do something then
	answered()
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fail(register.Lacking, err, "there is no such file. If it was moved or renamed, change file below [register]")
	case err != nil:
		return fail(register.Away, err, err.Error())
	case !st.Mode().IsRegular():
		return fail(register.NoSheets, nil, noFile)
	case st.Size() > MostFile:
		return fail(register.TooLarge, nil, tooLarge(st.Size()))
	}
	read := func(to io.Writer) (fs.FileInfo, error) {
		f, err := open(path)
		if err != nil {
			return nil, err
		}
		defer f.Close()
		answered()
		st, err := f.Stat()
		if err != nil || !st.Mode().IsRegular() {
			return st, err
		}
		_, err = io.Copy(to, io.LimitReader(&breaks{ctx, tells{f, answered}}, MostFile+1))
		return st, err
	}
	var first bytes.Buffer
	first.Grow(int(st.Size()) + bytes.MinRead)
	again := sha256.New()
	for _, to := range []io.Writer{&first, again} {
		st, err := read(to)
		switch {
		case ctx.Err() != nil:
			return File{}, context.Cause(ctx)
		case err != nil:
			return fail(register.Away, err, err.Error())
		case !st.Mode().IsRegular():
			return fail(register.NoSheets, nil, noFile)
		case first.Len() > MostFile:
			return fail(register.TooLarge, nil, tooLarge(int64(first.Len())))
		}
	}
	f := File{Name: path, Bytes: first.Bytes(), SHA256: sha256.Sum256(first.Bytes())}
	now, err := os.Stat(path)
	if err != nil || !os.SameFile(st, now) || now.Size() != st.Size() || !now.ModTime().Equal(st.ModTime()) || !bytes.Equal(again.Sum(nil), f.SHA256[:]) {
		return fail(register.Changing, nil, "the file was changed while it was read. Try again once it is saved")
	}
	if by, ok := openBy(path); ok {
		f.Notes = append(f.Notes, "The register is open in a spreadsheet program"+by+". What isn't saved yet isn't read.")
	}
	return f, nil
}

// openBy tells by the mark of a program that a file is open, and by whom.
func openBy(path string) (by string, ok bool) {
	dir, name := filepath.Split(path)
	if _, err := os.Lstat(filepath.Join(dir, "~$"+name)); err == nil { // from memory
		return "", true
	}
	mark := filepath.Join(dir, ".~lock."+name+"#")
	st, err := os.Lstat(mark)
	if err != nil {
		return "", false
	}
	if !st.Mode().IsRegular() || st.Size() > 4096 {
		return "", true
	}
	text, err := os.ReadFile(mark)
	if err != nil {
		return "", true
	}
	// ,user,host,dd.mm.yyyy hh:mm,profile;
	part := strings.Split(string(text), ",")
	for i := range part {
		part[i] = strings.TrimSpace(strings.Map(func(r rune) rune {
			if !unicode.IsPrint(r) || r == utf8.RuneError {
				return -1 // anybody may have written it
			}
			return r
		}, part[i]))
	}
	if len(part) < 4 || part[3] == "" {
		return "", true
	}
	if part[1] != "" {
		by = " by " + part[1]
	}
	if part[2] != "" {
		by += " on the computer " + part[2]
	}
	return by + " since " + part[3], true
}

// Open opens the sheets of a file. The error is an *register.Unreadable, or the context's.
func Open(ctx context.Context, f File, o Options) (register.Book, error) {
	b, err := open(ctx, f.Bytes, o)
	if ctx.Err() != nil {
		return register.Book{}, context.Cause(ctx)
	}
	var u *register.Unreadable
	if errors.As(err, &u) {
		if u.File == "" {
			u.File = f.Name
		}
		return register.Book{}, err
	}
	if err != nil {
		return register.Book{}, &register.Unreadable{Why: register.Damaged, File: f.Name, Text: err.Error(), Err: err}
	}
	b.Notes = append(b.Notes, f.Notes...)
	return b, nil
}

// Signs of kinds of file, at their beginning.
var (
	zipSign = []byte("PK\x03\x04")
	oleSign = []byte("\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1")
)

func open(ctx context.Context, text []byte, o Options) (register.Book, error) {
	start := bytes.ToLower(bytes.TrimLeft(bytes.TrimPrefix(text[:min(len(text), 512)], []byte("\xef\xbb\xbf")), " \t\r\n"))
	begins := func(s string) bool { return bytes.HasPrefix(start, []byte(s)) }
	switch {
	case len(text) == 0:
		return none("the file is empty")
	case bytes.HasPrefix(text, zipSign), bytes.HasPrefix(text, []byte("PK\x05\x06")):
		return openZip(ctx, text)
	case bytes.HasPrefix(text, oleSign):
		return openOLE(ctx, text, o)
	case begins("%pdf"):
		return none("this is a PDF. Name the spreadsheet that it was printed from")
	case begins("<?xml"), begins("<office:"), begins("<!doctype"), begins("<html"), begins("<table"), begins(`{\rtf`):
		return none("this is a web page or another text with marks, whatever it is called. Open it in a spreadsheet program and save it as XLSX, ODS or CSV")
	}
	return openCSV(ctx, text, o.Encoding)
}

func none(text string) (register.Book, error) {
	return register.Book{}, &register.Unreadable{Why: register.NoSheets, Text: text}
}

func unreadable(why register.Why, format string, args ...any) error {
	return &register.Unreadable{Why: why, Text: fmt.Sprintf(format, args...)}
}
