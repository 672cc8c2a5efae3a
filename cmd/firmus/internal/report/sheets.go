package report

import (
	"context"
	"fmt"
	"html"
	"io"
	"strings"
	"time"

	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// Place is a store as people at the desk know it.
type Place struct {
	Store, Kind, Place string
	Arrivals, Visiting bool
	Follows            string
	Roots              map[string]string // folder by set
}

// Desk is what the desk card and the take-over sheet are made from, besides the
// ledger: the archive's own names and places.
type Desk struct {
	Name     string // of the holdings
	Sets     []string
	Places   []Place
	Letters  []string // to whom they go
	Deputy   string
	Weekly   string // when, "Monday 09:00"
	Config   string // the configuration's file
	State    string // the state folder
	Secrets  []string
	MailSent bool // letters are configured
}

// DeskCard is one page for each new student: what to do each evening, what never to
// do, and what a letter means.
func DeskCard(w io.Writer, d Desk) {
	p := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	p("%s", strings.ToUpper(d.Name))
	p("DESK CARD\n")
	p("1. Where things are")
	for _, s := range d.Places {
		what := s.Kind
		if s.Kind == "disk" {
			what = "hard drive"
		}
		line := fmt.Sprintf("   %s: %s", s.Store, what)
		if s.Place != "" {
			line += ", " + s.Place
		}
		switch {
		case s.Arrivals:
			line += ". New recordings go here, and nowhere else"
		case s.Visiting:
			line += ". It lives elsewhere and only visits"
		case s.Follows != "":
			line += ". A program keeps it in step with " + s.Follows
		}
		p("%s", line)
		if s.Arrivals {
			for _, set := range d.Sets {
				if r := s.Roots[set]; r != "" {
					p("      %-10s %s", set, r)
				}
			}
		}
	}
	p("\n2. In the evening, after a transfer")
	p("   firmus receive THE-STICK --into masters/ITEM --sides A,B --by \"YOUR NAME\"")
	p("   It copies, reads back and compares. KEEP THE STICK until it says that it may be erased;")
	p("   firmus recognise THE-STICK tells that at any time.")
	p("\n3. Never")
	p("   - open, save, rename or move a master. Work on a copy among the access files.")
	p("   - run a repair program on a drive, or use a drive that makes unusual noises. Ask first.")
	p("   - delete or copy the files that begin with .firmus.")
	p("\n4. When a letter says AT RISK or NO INTACT COPY KNOWN")
	p("   Touch no copy of that file. Stop the program that keeps folders in step, if there is one.")
	p("   Read the letter to its end and do its numbered steps in their order.")
	p("   firmus findings   shows what is open, also without the letter.")
	p("\n5. When the weekly letter doesn't come")
	if d.MailSent {
		p("   It comes %s to %s. By noon of that day it should be there. If not:", d.Weekly, strings.Join(d.Letters, ", "))
	} else {
		p("   No letters are configured here: somebody must look. Once a week:")
	}
	p("   firmus service status   is it running?     firmus check   what would not work?")
	p("   firmus audit            does what it would do by itself.")
	p("\n6. Who decides")
	p("   Sign-off, retiring and settling are the archivist's. Every act carries a name: --by \"YOUR NAME\".")
	p("   Local rules and the people who know the drives come before this card.")
}

// TakeOver is for who takes the archive over: places, accounts, keys, open findings,
// promises. It names where secrets lie and never shows one.
func TakeOver(ctx context.Context, w io.Writer, d Desk, l *ledger.Ledger, rules policy.Rules, now time.Time) error {
	h, err := MakeHoldings(ctx, l, d.Name, rules, now)
	if err != nil {
		return err
	}
	p := func(format string, args ...any) { fmt.Fprintf(w, format+"\n", args...) }
	p("%s", strings.ToUpper(d.Name))
	p("TAKE-OVER SHEET, %s\n", Local(now))
	p("Handed over by ______________________   to ______________________   on ______________\n")
	p("Where it lives")
	p("   configuration  %s", d.Config)
	p("   state folder   %s   (ledger, record's key, event files)", d.State)
	p("   the ledger     %s", l.Where())
	for _, s := range d.Secrets {
		p("   secret         %s   (hand it over apart from this sheet; passwords and sign-ins are changed when a person leaves)", s)
	}
	p("\nStores")
	for _, s := range d.Places {
		p("   %-12s %-8s %s", s.Store, s.Kind, s.Place)
		for _, set := range d.Sets {
			if r := s.Roots[set]; r != "" {
				p("      %-10s %s", set, r)
			}
		}
	}
	var backups []ledger.Backup
	if err := l.View(ctx, func(t *ledger.Tx) (err error) {
		backups, err = t.Backups()
		return err
	}); err != nil {
		return err
	}
	writeOwners(w, h.Owners)
	p("\nLetters go to")
	if !d.MailSent {
		p("   nobody: none are configured")
	}
	for _, a := range d.Letters {
		p("   %s", a)
	}
	if d.Deputy != "" {
		p("   %s   (deputy, after three days without an answer)", d.Deputy)
	}
	p("\nOpen findings: %s no intact copy known, %s at risk, %s to tidy   (firmus findings)", Number(h.Findings.NoneIntact), Number(h.Findings.AtRisk), Number(h.Findings.Tidy))
	for _, k := range h.Keep {
		p("   KEEP: %s, received %s", Show(k.Source), at(k.Received))
	}
	p("\nPromises")
	for _, s := range h.Stores {
		kept := "kept"
		if !s.Kept {
			kept = "NOT KEPT"
		}
		if s.Promise > 0 && s.Adopted {
			p("   %-12s %-12s read within %s: %s", s.Store, s.Set, days(time.Duration(s.Promise)*time.Second), kept)
		}
	}
	p("\nBackups of the ledger")
	if len(backups) == 0 {
		p("   none yet")
	}
	for _, b := range backups {
		state := b.Trouble
		if state == "" {
			state = "read back"
		}
		p("   %-12s %s, %s, %s", b.Store, Local(b.At), Count(b.Events, "event"), state)
	}
	p("\nOn the first day: firmus check; firmus audit --full; read the open findings; look whether the next letter comes.")
	return nil
}

// Printable puts a text into a page that prints as it stands.
func Printable(w io.Writer, title, text string) error {
	_, err := fmt.Fprintf(w, "<!doctype html>\n<html lang=\"en\">\n<head><meta charset=\"utf-8\"><title>%s</title>\n<style>body{margin:2cm}pre{font:11pt/1.4 monospace;white-space:pre-wrap}@media print{body{margin:0}}</style></head>\n<body><pre>%s</pre></body>\n</html>\n",
		html.EscapeString(title), html.EscapeString(text))
	return err
}
