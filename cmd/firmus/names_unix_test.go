//go:build unix

package main

import (
	"bytes"
	"encoding/csv"
	"encoding/json"
	"fmt"
	"io"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"
	"time"
	"unicode"
	"unicode/utf8"

	"github.com/spf13/cobra"
	"golang.org/x/net/html"

	"firmus/testdata"
)

// hostileNames are names that somebody may give a file, by what could be harmed by one.
var hostileNames = map[string]string{
	"a terminal, by its escape sequences": "\x1b[2J\x1b[31mred\x1b]0;title\x07.wav",
	"a line, by its start":                "good.wav\roverwritten.wav",
	"a list, by a line of its own":        "two\n[7] settled: all is well.wav",
	"a terminal, by C1 controls":          "\u009b31mred.wav",
	"a reader, by the direction":          "turned \u202egpj.wav",
	"a reader, by what isn't seen":        "zero\u200bwidth\u2060.wav",
	"a page, by an element":               "<img src=x onerror=alert(1)>.wav",
	"a page, by an attribute's end":       "\" onmouseover=\"alert(1)\" '.wav",
	"a page, by an entity":                "&lt;b&gt;&#60;.wav",
	"a spreadsheet, by =":                 "=1+1.wav",
	"a spreadsheet, by +":                 "+1.wav",
	"a spreadsheet, by -":                 "-1.wav",
	"a spreadsheet, by @":                 "@SUM(A1).wav",
	"a spreadsheet, by a tab":             "\t=1.wav",
	"a letter, by a head of its own":      "x\r\nBcc: somebody@example.com\r\n\r\n.wav",
	"a format":                            "%s%d%!v(%n).wav",
	"a template":                          "{{.}}{{template \"x\"}}.wav",
	"a shell":                             "$(touch owned);`touch owned`|&.wav",
	"a path of Windows":                   `..\..\up\C:name.wav`,
	"a reader of UTF-8":                   "\xff\xfe\xc0\xaf.wav",
	"a table, by its length":              strings.Repeat("n", 251) + ".wav",
	"a column, by its width":              strings.Repeat("界", 83) + ".wav",
}

// Each command shows names that somebody else gave, in each of its forms, so that they harm
// nobody: no control, no turned direction, no formula, no element.
func TestHostileNames(t *testing.T) {
	if apart(t) {
		return
	}
	dir := t.TempDir()
	t.Chdir(dir)
	old := time.Now().AddDate(0, -1, 0).Truncate(time.Second)
	write := func(path, text string, flip bool) {
		t.Helper()
		b := testdata.Wave(text, 70_000)
		if flip {
			b[40_000] ^= 0x55
		}
		if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(path, b, 0o644); err != nil {
			t.Fatal(err)
		}
		if err := os.Chtimes(path, old, old); err != nil {
			t.Fatal(err)
		}
	}
	item := "QV-0101 <b>=1\x1b[31m"
	for what, name := range hostileNames {
		for _, store := range []string{"studio", "vault"} {
			write(filepath.Join(store, folderOf(item, name), name), what, false)
		}
	}
	config := studioConfig +
		"[store.vault]\nkind = \"disk\"\nown_drive = true\nsets = { masters = \"vault\" }\n"
	if err := os.WriteFile("firmus.toml", []byte(config), 0o600); err != nil {
		t.Fatal(err)
	}
	shows := func(want int, args ...string) []byte {
		t.Helper()
		var out, msg bytes.Buffer
		if got := run(args, nil, &out, &msg); got != want {
			t.Errorf("%q: exit %d, want %d\n%s%s", args, got, want, out.String(), msg.String())
		}
		harmless(t, fmt.Sprintf("%q", args), msg.Bytes())
		return out.Bytes()
	}
	harmless(t, "intake", shows(0, "intake"))
	// Of each name something is wrong: a third is damaged, a third lacks, a third came as a stray.
	n := 0
	for what, name := range hostileNames {
		at := filepath.Join("vault", folderOf(item, name), name)
		switch n++; n % 3 {
		case 0:
			write(at, what, true)
		case 1:
			if err := os.Remove(at); err != nil {
				t.Fatal(err)
			}
		case 2:
			write(filepath.Join("vault", item, "stray", name), "stray"+what, false)
		}
	}
	harmless(t, "audit", shows(1, "audit", "--full"))
	write(filepath.Join("stick", item, "new "+hostileNames["a terminal, by its escape sequences"]), "new", false)
	if err := os.WriteFile("register.csv", []byte("Number,Title\n\"=QV-0101\",\"<img src=x onerror=alert(1)>\"\nQV-0102,\"\x1b[31m=1+1\"\n"), 0o600); err != nil {
		t.Fatal(err)
	}
	write(filepath.Join("folder", item, hostileNames["a letter, by a head of its own"]), "folder", false)

	root := (&command{out: io.Discard, err: &plain{w: io.Discard}}).root()
	seen := map[string]bool{}
	for _, x := range namesShown {
		words := strings.Fields(x.command)
		args := slices.Clone(words)
		for _, a := range x.args {
			args = append(args, strings.ReplaceAll(a, "ITEM", item))
		}
		name := fmt.Sprintf("%q", args)
		cmd, _, err := root.Find(words)
		if err != nil {
			t.Fatal(name, err)
		}
		seen[cmd.CommandPath()] = true
		out := shows(x.exit, args...)
		if len(out) == 0 && x.form != "" {
			t.Errorf("%s shows nothing", name)
		}
		switch x.form {
		case asCSV:
			noFormula(t, name, out)
		case asHTML:
			noElement(t, name, out)
		case asJSON:
			if !json.Valid(out) || !utf8.Valid(out) {
				t.Errorf("%s is no document: %.200q", name, out)
			}
		default:
			harmless(t, name, out)

			if x.once {
				continue
			}
			var doc any
			if js := shows(x.exit, append([]string{"--json"}, args...)...); json.Unmarshal(js, &doc) != nil || !utf8.Valid(js) {
				t.Errorf("%s --json is no document: %.200q", name, js)
			}
		}
	}
	everyCommand(root, func(cmd *cobra.Command) {
		path := cmd.CommandPath()
		if cmd.Runnable() && !cmd.HasSubCommands() && !seen[path] && namesElsewhere[strings.TrimPrefix(path, "firmus ")] == "" {
			t.Errorf("%s: say here with which names it is tried, or where it is", path)
		}
	})
	if _, err := os.Stat("owned"); err == nil {
		t.Error("a name was run")
	}
}

// The forms in which a command shows something; "" is text for a terminal.
const (
	asCSV  = "csv"
	asHTML = "html"
	asJSON = "json"
)

// namesShown are the commands that show names, in each form. ITEM stands for the item. What
// can be done once has no second document.
var namesShown = []struct {
	command string
	exit    int
	form    string
	once    bool
	args    []string
}{
	{command: "audit", exit: 1},
	{command: "check"},
	{command: "findings"},
	{command: "findings list"},
	{command: "findings show", args: []string{"1"}},
	{command: "findings show", args: []string{"9"}},
	{command: "report holdings"},
	{command: "report holdings", form: asCSV, args: []string{"--as", "csv"}},
	{command: "report holdings", form: asHTML, args: []string{"--as", "html"}},
	{command: "report item", args: []string{"ITEM"}},
	{command: "report item", form: asCSV, args: []string{"ITEM", "--as", "csv"}},
	{command: "report item", form: asHTML, args: []string{"ITEM", "--as", "html"}},
	{command: "report item", form: asJSON, args: []string{"ITEM", "--as", "json"}},
	{command: "report reels"},
	{command: "report reels", form: asCSV, args: []string{"--as", "csv"}},
	{command: "report reels", form: asHTML, args: []string{"--as", "html"}},
	{command: "report year"},
	{command: "report year", form: asCSV, args: []string{"--as", "csv"}},
	{command: "report year", form: asHTML, args: []string{"--as", "html"}},
	{command: "report events"},
	{command: "report events", form: asCSV, args: []string{"--as", "csv"}},
	{command: "report levels"},
	{command: "report takeover"},
	{command: "report deskcard"},
	{command: "recover", args: []string{"--dry-run", "--store", "vault"}},
	{command: "recognise", args: []string{"stick"}},
	{command: "register try", args: []string{"register.csv"}},
	{command: "manifest write", once: true, args: []string{"folder"}},
	{command: "manifest verify", args: []string{"folder"}},
	{command: "bag make", once: true, args: []string{"folder", "bag"}},
	{command: "bag verify", args: []string{"bag"}},
	{command: "ledger verify"},
	{command: "ledger prove", args: []string{"masters/ITEM/=1+1.wav"}},
	{command: "store list"},
	{command: "disc add", once: true, args: []string{"=1+1", "--kind", "data", "--box", "<b>=2\x1b[31m", "--label", "\u202etitle", "studio/ITEM"}},
	{command: "disc list"},
	{command: "disc labels", form: asCSV, args: []string{"--as", "csv"}},
	{command: "disc labels"},
	{command: "disc sheet", args: []string{"=1+1"}},
	{command: "retire", args: []string{"--dry-run", "--reason", "<b>=1\x1b[31m", "masters/ITEM/=1+1.wav"}},
	{command: "findings settle", once: true, args: []string{"9", "--reason", "<b>=1\x1b[31m\nnew"}},
	{command: "findings signoff", exit: 2, args: []string{"1", "--lost-otherwise", "--reason", "x"}},
	{command: "levels state", once: true, args: []string{"integrity-1-virus", "--words", "<b>=1\x1b[31m\nnew"}},
	{command: "report levels"},
	{command: "receive", once: true, args: []string{"stick", "--into", "masters/ITEM"}},
	{command: "intake", once: true},
	{command: "recover", once: true, args: []string{"--store", "vault", "--reason", "<b>=1\x1b[31m\nnew"}},
	{command: "store tidy", args: []string{"vault"}},
	{command: "bag item", once: true, args: []string{"ITEM", "handed"}},
	{command: "report events"},
	{command: "report events", form: asCSV, args: []string{"--as", "csv"}},
	{command: "report item", form: asHTML, args: []string{"ITEM", "--as", "html"}},
}

// namesElsewhere says of other commands why they aren't tried here.
var namesElsewhere = map[string]string{
	"account add":        "names of accounts are plain",
	"account list":       "names of accounts are plain",
	"account remove":     "names of accounts are plain",
	"account reset":      "names of accounts are plain",
	"completion":         "shows no name",
	"demo":               "its names are its own",
	"disc check":         "what a disc and its sheets say: discs/sheets",
	"disc decide":        "shows numbers of discs",
	"disc identify":      "what a disc says: discs/checking",
	"disc retire":        "shows the number of a disc",
	"disc sample":        "shows discs as its list does",
	"finish":             "shows how many",
	"init":               "asks a person",
	"ledger checkpoint":  "shows no name",
	"ledger move":        "shows no name",
	"ledger restore":     "shows no name",
	"levels withdraw":    "shows the number of a statement",
	"man":                "shows no name",
	"open":               "shows no name",
	"proposal confirm":   "shows as findings and retire do",
	"proposal list":      "asks for two people",
	"proposal take-back": "asks for two people",
	"register read":      "shows as register try does",
	"replace":            "shows as retire does",
	"serve":              "pages, letters and metrics: in their packages",
	"service install":    "shows no name",
	"service remove":     "shows no name",
	"service status":     "shows no name",
	"store adopt":        "shows names of the configuration",
	"store replace":      "shows names of the configuration",
	"store retire":       "shows names of the configuration",
	"store signin":       "shows names of the configuration",
	"version":            "shows no name",
}

// folderOf is a name's folder: what no manifest can hold is of another item, which no bag holds.
func folderOf(item, name string) string {
	if utf8.ValidString(name) {
		return item
	}
	return "QV-0102"
}

// harmless is text that does nothing to a terminal and turns nothing about.
func harmless(t *testing.T, what string, b []byte) {
	t.Helper()
	if !utf8.Valid(b) {
		t.Errorf("%s is no UTF-8: %.200q", what, b)
	}
	for i, r := range string(b) {
		switch {
		case r == '\n', r == '\t':
		case unicode.IsControl(r), r >= 0x200b && r <= 0x200f, r >= 0x2028 && r <= 0x202e, r >= 0x2060 && r <= 0x2069:
			t.Errorf("%s shows %q: %.200q", what, r, b[max(0, i-60):])
			return
		}
	}
}

// noFormula is CSV of which no cell is a formula to a spreadsheet program.
func noFormula(t *testing.T, what string, b []byte) {
	t.Helper()
	r := csv.NewReader(bytes.NewReader(bytes.TrimPrefix(b, []byte("\ufeff"))))
	r.FieldsPerRecord = -1
	rows, err := r.ReadAll()
	if err != nil {
		t.Errorf("%s: %v", what, err)
	}
	for _, row := range rows {
		for _, cell := range row {
			if cell != "" && strings.ContainsRune("=+-@\t\r", rune(cell[0])) {
				t.Errorf("%s has the cell %.100q", what, cell)
			}
		}
	}
}

// noElement is HTML in which no name became an element, an attribute, or an address.
func noElement(t *testing.T, what string, b []byte) {
	t.Helper()
	z := html.NewTokenizer(bytes.NewReader(b))
	for z.Next() != html.ErrorToken {
		token := z.Token()
		if token.Type != html.StartTagToken && token.Type != html.SelfClosingTagToken {
			continue
		}
		switch token.Data {
		case "script", "img", "iframe", "object", "embed", "b":
			t.Errorf("%s has the element %s", what, token)
		}
		for _, a := range token.Attr {
			if strings.HasPrefix(a.Key, "on") || strings.Contains(strings.ToLower(a.Val), "javascript:") {
				t.Errorf("%s has the attribute %s", what, token)
			}
		}
	}
}

// everyCommand goes through the tree of commands.
func everyCommand(cmd *cobra.Command, do func(*cobra.Command)) {
	do(cmd)
	for _, sub := range cmd.Commands() {
		everyCommand(sub, do)
	}
}
