package config

import (
	"fmt"
	"slices"
	"strings"
)

// Register says where the archive's own log is, the spreadsheet, and how it is read.
type Register struct {
	File         string   // absolute path; "" if it lies in the cloud
	Document     string   // id of a document in the cloud; "" if it is a file
	Store        string   // the cloud store whose account reads the document
	Sheet        string   // "": the only one that has the columns
	Columns      []Word   // what a column tells, such as "item", and the words of its header; in the file's order
	Encoding     string   // of a CSV file; "": found out, or asked
	PasswordFile string   // absolute path of a file with the workbook's password; "": it has none
	Sets         []string // that it is about; none: all
	Playable     []Word   // words of that column, and "yes", "not again" or "never"
	Restricted   []Word   // words of that column, and "yes" or "no"
	Bases        []Word   // words of that column, and what stands for them in the names of items or folders
	DiscsASide   int      // 0: not asked
	CheckDigits  string   // "luhn", "ean", "none"; "": as most of the barcodes have it
	Off          []string // rules that say nothing
}

// Word is a word and what it means.
type Word struct{ Word, Means string }

// Names that the register's lines may have. Package register gives them their meaning, and its
// rules and package workbook's encodings are these; a test holds them against each other.
var (
	// RegisterColumns are what a column can tell.
	RegisterColumns = []string{"item", "base", "side", "track", "barcode", "title", "composer", "performers", "recorded", "digitised", "length", "disc", "box", "file", "folder",
		"condition", "playable", "hazard", "treated_from", "treated_to", "play_by", "priority", "restricted", "notes"}
	// RegisterRules are the comparisons that can be turned off.
	RegisterRules = []string{"absent", "no-row", "number", "length", "speed", "sixty", "barcode", "check-digit", "folder", "double", "disc", "few-discs", "date", "value"}
	// RegisterEncodings are what a CSV file can be saved in.
	RegisterEncodings = []string{"utf-8", "windows-1252", "macintosh", "utf-16le", "utf-16be"}
)

func (r *reader) register(g *Register) fields {
	return fields{
		"file":  r.text(&g.File),
		"store": r.text(&g.Store),
		"sheet": r.text(&g.Sheet),
		"columns": r.words(`{ item = "Number", side = "Side" }`, func(n *node, v string) {
			if !slices.Contains(RegisterColumns, n.key) {
				r.fail(n.at, "columns: nothing is called %q", n.key)
				r.suggest(n.key, RegisterColumns)
				return
			}
			g.Columns = append(g.Columns, Word{n.key, v})
		}),
		"encoding":      r.choice(func(w string) { g.Encoding = w }, RegisterEncodings...),
		"password_file": r.text(&g.PasswordFile),
		"sets":          r.texts(func(_ *node, s string) { g.Sets = append(g.Sets, s) }),
		"playable":      r.meanings(&g.Playable, `{ "do not play again" = "not again" }`, "yes", "not again", "never"),
		"restricted":    r.meanings(&g.Restricted, `{ "public" = "no" }`, "yes", "no"),
		"bases":         r.words(`{ acetate = "A" }`, func(n *node, v string) { g.Bases = append(g.Bases, Word{n.key, v}) }),
		"discs_a_side":  r.count(&g.DiscsASide),
		"check_digits":  r.choice(func(w string) { g.CheckDigits = w }, "luhn", "ean", "none"),
		"off": r.texts(func(n *node, s string) {
			if !slices.Contains(RegisterRules, s) {
				r.fail(n.at, "off: no comparison is called %q", s)
				r.suggest(s, RegisterRules)
				return
			}
			g.Off = append(g.Off, s)
		}),
	}
}

// words reads a table of texts, whose keys a person chooses.
func (r *reader) words(like string, each func(n *node, value string)) func(*node) {
	return func(n *node) {
		if !n.table {
			r.fail(n.at, "%s must be a table, such as %s", n.key, like)
			return
		}
		for _, b := range n.below {
			if s, ok := r.asText(b, ""); ok {
				each(b, s)
			}
		}
	}
}

// meanings reads what a person's words mean, of some meanings.
func (r *reader) meanings(to *[]Word, like string, means ...string) func(*node) {
	return r.words(like, func(n *node, v string) {
		if !slices.Contains(means, v) {
			r.fail(n.at, "%q must mean %s, not %q", n.key, either(means), v)
			r.suggest(v, means)
			return
		}
		*to = append(*to, Word{n.key, v})
	})
}

// checkRegister: there is one place where it lies, and it tells the number of a reel.
func (r *reader) checkRegister(c *Config, g Register) {
	at := func(key string) place { return r.at("register", key) }
	lacks := func(key string) bool { return r.root.find("register", key) == nil }
	switch {
	case lacks("file"):
		r.fail(at("file"), "register has no file: file = \"register.xlsx\"")
	case g.File != "" && !lacks("store"):
		r.fail(at("store"), "store says whose account reads a document in the cloud; this register is a file")
	}
	if g.Document != "" {
		var clouds []string
		for _, s := range c.Stores {
			if s.Service == Drive { // elsewhere lie files alone
				clouds = append(clouds, s.Name)
			}
		}
		switch {
		case len(clouds) == 0:
			r.fail(at("file"), "a document in the cloud is read by the account of a cloud store, and there is none")
		case lacks("store") && len(clouds) > 1:
			r.fail(at("store"), "there is more than one cloud store; say whose account reads the document: store = %q", clouds[0])
		case g.Store != "" && !slices.Contains(clouds, g.Store):
			r.fail(at("store"), "there is no cloud store %q", g.Store)
			r.suggest(g.Store, clouds)
		}
	}
	if !slices.ContainsFunc(g.Columns, func(w Word) bool { return w.Word == "item" }) {
		r.fail(at("columns"), `register doesn't say which column holds the number of the reel: columns = { item = "Number" }. "firmus register try FILE" proposes all columns`)
	}
	head := map[string]string{}
	for _, w := range g.Columns {
		k := strings.ToLower(strings.Join(strings.Fields(w.Means), " "))
		if was := head[k]; was != "" {
			r.fail(at("columns"), "columns: %q is both %s and %s", w.Means, was, w.Word)
		}
		head[k] = w.Word
	}
	var names []string
	for _, s := range c.Sets {
		names = append(names, s.Name)
	}
	for _, s := range g.Sets {
		if !slices.Contains(names, s) {
			r.fail(at("sets"), "there is no set %q", s)
			r.suggest(s, names)
		}
	}
}

// From is where the register lies, as people know it.
func (g Register) From() string {
	if g.File != "" {
		return g.File
	}
	return fmt.Sprintf("the document %s that the account of the store %q reads", g.Document, g.Store)
}

// DocumentID is the id of a document in the cloud by its address in a browser.
func DocumentID(address string) (id string, ok bool) {
	if !strings.HasPrefix(address, "https://") {
		return "", false
	}
	_, rest, ok := strings.Cut(address, "/d/")
	id, _, _ = strings.Cut(rest, "/")
	id, _, _ = strings.Cut(id, "?")
	return id, ok && id != ""
}
