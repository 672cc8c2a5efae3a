package letters

import (
	"net"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Matter is what a letter about one matter is written from.
type Matter struct {
	Kind        string
	Open, Ended []ledger.Finding
	Told        []ledger.Told
	Copies      map[int64][]ledger.Copy
	TakenIn     time.Time
	Stores      map[string]ledger.Store
	Away        []string
	Read        []string
	Reads       bool
	First       time.Time
	Now, Next   time.Time
	Deputy      string
	To          []string
	Rules       care.Rules
	Zone        *time.Location
	Titles      bool
	Pages       string // address
	Where       report.Where
	Only        int64
	Fewest      []ledger.Elsewhere
}

// Write is the subject, the text and the HTML of a letter.
func Write(m Matter) (subject, text, html string, err error) {
	x := &thread{name: "t", open: m.Open, ended: m.Ended, told: map[int64]ledger.Told{}, files: map[int64]known{}, stores: m.Stores, away: map[string]bool{},
		read: m.Read, reads: m.Reads, first: m.First, about: report.Matter{Only: m.Only, Fewest: m.Fewest, Files: map[int64]report.Known{}, Where: m.Where}}
	for _, r := range m.Told {
		x.told[r.Finding] = r
	}
	for id, copies := range m.Copies {
		f := ledger.File{ID: id, TakenAt: m.TakenIn, Version: 1}
		x.files[id], x.about.Files[id] = known{f, copies}, report.Known{File: f, Copies: copies, Versions: []report.Length{{N: 1, Size: 31_870_044, Duration: 31*time.Minute + 52*time.Second, By: "Ada Wren", Reason: "taken in", At: m.TakenIn}}}
	}
	for _, s := range m.Away {
		x.away[s] = true
	}
	w := writer{words: words{rules: m.Rules, zone: m.Zone, titles: m.Titles, pages: m.Pages}, x: x, kind: m.Kind, now: m.Now, next: m.Next, deputy: m.Deputy, to: m.To, name: "Quillmere Valley Song Survey", events: 48219}
	subject, p := w.letter()
	html, err = p.html(subject)
	return subject, p.text(), html, err
}

// Shown is a path as a letter shows it.
func Shown(p string, titles bool) string { return words{titles: titles}.path(p) }

// Name is a file as a subject names it.
func Name(p string) string { return words{}.name(p) }

// NameIn is a file of a set as a subject names it.
func NameIn(r care.Rules, set, p string) string { return words{rules: r}.nameIn(set, p) }

// Clean is a text on one line with nothing unseen in it.
var Clean = clean

// Bounded is a connection of which at most n bytes are read.
func Bounded(c net.Conn, n int) net.Conn { return &bounded{c, n} }
