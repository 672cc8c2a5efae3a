package guarded

import (
	"crypto/sha256"
	"fmt"
	"io"
	"strings"

	"firmus/fixity"
	"firmus/replicas/named"
)

// pageHead begins a page of the manual that Firmus wrote: a comment of man(7), with the SHA-256
// of all that follows its line.
const pageHead = `.\" Written by Firmus. SHA-256 of all below this line: `

// Page is Write for a page of the manual. A page that Firmus wrote is replaced while nobody
// has changed it. The page itself tells that: pages are also written where there is no
// configuration, and so no state folder for a note.
func (f Folders) Page(file, text string) error {
	h := sha256.New()
	_, _ = io.WriteString(h, text)
	return f.put(file, 0o666, ownPage, func(w io.Writer) error {
		_, err := io.WriteString(w, pageHead+sum(h)+"\n"+text)
		return err
	})
}

// maxPage is more than any page has.
const maxPage = 1 << 20

func ownPage(file string) error {
	in, err := named.Open(file)
	if err != nil {
		return err
	}
	defer in.Close()
	page, err := io.ReadAll(io.LimitReader(in, maxPage))
	if err != nil {
		return fmt.Errorf("write %s: look at what lies there: %w", file, err)
	}
	head, text, _ := strings.Cut(string(page), "\n")
	said, ours := strings.CutPrefix(head, pageHead)
	if !ours {
		return notOurs(file)
	}
	h := sha256.New()
	if _, _ = io.WriteString(h, text); sum(h) != said {
		return changed(file)
	}
	return nil
}

// changed refuses a file that was ours until somebody changed it.
func changed(file string) error {
	return fmt.Errorf("%s was changed since Firmus wrote it: it was not touched. Move it away, or name another file: %w", file, fixity.ErrRefused)
}
