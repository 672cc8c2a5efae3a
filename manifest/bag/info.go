package bag

import (
	"errors"
	"fmt"
	"io"
	"iter"
	"strconv"
	"strings"
	"time"

	"firmus/fixity/expr"
	"firmus/manifest"
)

// Element is one line of bag-info.txt (RFC 8493, section 2.2.2).
type Element struct {
	Label string `json:"label"`
	Value string `json:"value"` // in one line; the lines of a continued value are joined by a blank
}

// Reserved are the labels that RFC 8493 gives a meaning to. Case doesn't matter.
var Reserved = []string{
	"Source-Organization", "Organization-Address", "Contact-Name", "Contact-Phone", "Contact-Email",
	"External-Description", "Bagging-Date", "External-Identifier", "Bag-Size", "Payload-Oxum",
	"Bag-Group-Identifier", "Bag-Count", "Internal-Sender-Identifier", "Internal-Sender-Description",
}

const oxumLabel = "Payload-Oxum"

// once are the labels that should not be repeated.
var once = []string{"Bagging-Date", "Bag-Size", "Bag-Group-Identifier", "Bag-Count"}

// MaxInfoBytes is how much of bag-info.txt is read.
const MaxInfoBytes = 4 << 20

// Info is bag-info.txt: its elements, repeats too, in their order.
type Info []Element

// Get is the values of all elements with label, whatever its case.
func (in Info) Get(label string) []string {
	var values []string
	for _, e := range in {
		if strings.EqualFold(e.Label, label) {
			values = append(values, e.Value)
		}
	}
	return values
}

// readInfo reads the text of bag-info.txt in UTF-8. old says that blanks around
// the colon are free, as before version 1.0. Lines that are no element are
// problems of kind Info and are passed over.
func readInfo(lines iter.Seq2[string, error], old bool) (info Info, problems []manifest.Problem, err error) {
	n, size := 0, 0
	open := false // an element that may go on
	fail := func(detail string) {
		problems = append(problems, manifest.Problem{Kind: manifest.Info, Path: infoName, Line: n, Detail: detail})
		open = false
	}
	for line, err := range lines {
		n++
		var long *manifest.LineError
		if errors.As(err, &long) {
			fail(long.Detail)
			continue
		}
		if err != nil {
			return info, problems, err
		}
		if size += len(line); size > MaxInfoBytes {
			fail(fmt.Sprintf("it is longer than %d bytes", MaxInfoBytes))
			return info, problems, nil
		}
		text := strings.TrimLeft(line, " \t")
		switch {
		case text == "":
			continue
		case text != line && open:
			info[len(info)-1].Value += " " + text
			continue
		case text != line:
			fail("it continues no element")
			continue
		}
		e, err := parseElement(line, old)
		if err != nil {
			fail(err.Error())
			continue
		}
		info = append(info, e)
		open = true
	}
	return info, problems, nil
}

func parseElement(line string, old bool) (Element, error) {
	label, value, found := strings.Cut(line, ":")
	if !found {
		return Element{}, errors.New("it has no colon")
	}
	if old {
		label, value = strings.TrimRight(label, " \t"), strings.TrimLeft(value, " \t")
	} else if value != "" {
		if value[0] != ' ' && value[0] != '\t' {
			return Element{}, errors.New("no blank stands behind the colon")
		}
		value = value[1:]
	}
	if label == "" || strings.TrimRight(label, " \t") != label {
		return Element{}, errors.New("the label is empty or ends with a blank")
	}
	return Element{label, value}, nil
}

// width is how long a line should be at most (section 2.2.2).
const width = 79

// WriteInfo writes the elements as bag-info.txt. Long values go on in indented
// lines where a single blank allows it, so that reading gives the same again. A
// label or value that holds a line end, and a label that can't be one, is refused
// and nothing is written.
func WriteInfo(w io.Writer, info Info) error {
	var b strings.Builder
	for _, e := range info {
		if strings.ContainsAny(e.Label, ":\r\n") || e.Label == "" || strings.Trim(e.Label, " \t") != e.Label {
			return fmt.Errorf("write bag-info.txt: %q can't be a label", e.Label)
		}
		if strings.ContainsAny(e.Value, "\r\n") || strings.ToValidUTF8(e.Label+e.Value, "") != e.Label+e.Value {
			return fmt.Errorf("write bag-info.txt: the value of %q isn't one line of UTF-8", e.Label)
		}
		writeElement(&b, e)
	}
	_, err := io.WriteString(w, b.String())
	return err
}

func writeElement(b *strings.Builder, e Element) {
	b.WriteString(e.Label + ": ")
	at := len(e.Label) + 2
	rest := e.Value
	for at+len(rest) > width {
		cut := -1
		for i := 1; i < len(rest)-1; i++ {
			// A blank between two characters that are none: reading gives it back.
			if rest[i] == ' ' && !edge(rest[i-1]) && !edge(rest[i+1]) && (cut < 0 || at+i <= width) {
				cut = i
			}
		}
		if cut < 0 {
			break
		}
		b.WriteString(rest[:cut] + "\n  ")
		rest, at = rest[cut+1:], 2
	}
	b.WriteString(rest + "\n")
}

func edge(c byte) bool { return c == ' ' || c == '\t' }

// oxum is Payload-Oxum: bytes and files of the payload.
type oxum struct{ octets, streams int64 }

func (o oxum) String() string { return fmt.Sprintf("%d.%d", o.octets, o.streams) }

func parseOxum(s string) (oxum, error) {
	a, b, found := strings.Cut(strings.TrimSpace(s), ".")
	if !found || !digits(a) || !digits(b) {
		return oxum{}, fmt.Errorf("%q is not two numbers with a dot between them", s)
	}
	octets, err := strconv.ParseInt(a, 10, 64)
	if err != nil {
		return oxum{}, err
	}
	streams, err := strconv.ParseInt(b, 10, 64)
	return oxum{octets, streams}, err
}

var bagCount = expr.Once(`^[0-9]+ of ([0-9]+|\?)$`)

// judgeInfo checks the elements that have a form. The oxum is nil if there is
// none that can be compared.
func judgeInfo(info Info, name string, warn *manifest.Warnings) (*oxum, []manifest.Problem) {
	odd := func(why manifest.Reason, detail string) {
		warn.Add(manifest.Warning{Reason: why, File: name, Detail: detail})
	}
	for _, label := range once {
		if len(info.Get(label)) > 1 {
			odd(manifest.Repeated, label)
		}
	}
	for _, v := range info.Get("Bagging-Date") {
		if _, err := time.Parse(time.DateOnly, v); err != nil {
			odd(manifest.Value, "Bagging-Date is "+strconv.Quote(v)+", not YYYY-MM-DD")
		}
	}
	for _, v := range info.Get("Bag-Count") {
		if !bagCount().MatchString(v) {
			odd(manifest.Value, "Bag-Count is "+strconv.Quote(v)+", not \"N of T\"")
		}
	}
	values := info.Get(oxumLabel)
	fail := func(detail string) []manifest.Problem {
		return []manifest.Problem{{Kind: manifest.Oxum, Path: name, Detail: detail}}
	}
	switch len(values) {
	case 0:
		return nil, nil
	case 1:
		o, err := parseOxum(values[0])
		if err != nil {
			return nil, fail("Payload-Oxum: " + err.Error())
		}
		return &o, nil
	}
	return nil, fail("Payload-Oxum is there more than once")
}
