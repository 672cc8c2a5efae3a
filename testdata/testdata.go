// Package testdata is the home of the samples that tests of several packages share.
// README.md says of each what it is, where it comes from and what is wrong with it. No
// shipped file imports this package.
package testdata

import (
	"crypto/sha256"
	"embed"
	"encoding/binary"
	"io/fs"
	"math/rand/v2"
	"strings"
)

//go:embed README.md sound manifest bag
var files embed.FS

// Files are all samples, by their paths below this folder.
func Files() fs.FS { return files }

// Sound is a sample in the folder sound. It panics if there is none of that name.
func Sound(name string) []byte {
	b, err := files.ReadFile("sound/" + name)
	if err != nil {
		panic(err)
	}
	return b
}

// Table is the table of README.md below the heading of a folder: its cells, row by row,
// without back-quotes. It panics if there is none.
func Table(folder string) [][]string {
	text, err := files.ReadFile("README.md")
	if err != nil {
		panic(err)
	}
	_, part, found := strings.Cut(string(text), "\n## "+folder+"\n")
	part, _, _ = strings.Cut(part, "\n## ")
	var rows [][]string
	for line := range strings.Lines(part) {
		cells := strings.Split(strings.Trim(line, "| \n"), "|")
		if !strings.HasPrefix(line, "|") {
			continue
		}
		for i, c := range cells {
			cells[i] = strings.Trim(c, " `")
		}
		rows = append(rows, cells)
	}
	if !found || len(rows) < 3 {
		panic("README.md has no table of " + folder)
	}
	return rows[2:] // without its head
}

// Recipe is how an image of a disc is made: the program, and its arguments but for the
// image and the folder. It panics if README.md has none of that name.
func Recipe(name string) (program string, args []string) {
	for _, row := range Table("disc") {
		if row[0] != name {
			continue
		}
		switch program = row[1]; program {
		case "genisoimage":
			args = []string{"-quiet", "-input-charset", "utf-8", "-V", Label}
		case "xorriso":
			args = []string{"-as", "mkisofs", "-quiet", "-V", Label}
		}
		return program, append(args, strings.Fields(row[2])...)
	}
	panic("README.md has no recipe " + name)
}

// Label is the name of the volume on the images of all recipes for files.
const Label = "QVSS_0107"

// header is the length of the header of Wave's files.
const header = 44

// Wave is a whole WAVE file of the given size: noise that depends on seed only, at 8,000
// samples of 8 bits a second. Of an odd size it lacks the byte that fills up. One smaller
// than a header is its beginning, and not whole.
func Wave(seed string, size int) []byte {
	b := make([]byte, max(size, header))
	n := len(b) - header
	copy(b, "RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x01\x00\x40\x1f\x00\x00\x40\x1f\x00\x00\x01\x00\x08\x00data")
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8))
	binary.LittleEndian.PutUint32(b[40:], uint32(n))
	rand.NewChaCha8(sha256.Sum256([]byte(seed))).Read(b[header:])
	return b[:size]
}
