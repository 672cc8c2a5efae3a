package statements

import (
	"context"
	"fmt"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/sheet"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// DeskStore is a store as people at the desk know it.
type DeskStore struct {
	Store, Kind, Place string
	Arrivals, Visiting bool
	Follows            string
	Roots              map[string]string // folder by set, as the system writes it
}

func (p DeskStore) kind() string {
	switch p.Kind {
	case "disk":
		return "hard drive"
	case "optical":
		return "discs"
	case "cloud":
		return "cloud folder"
	}
	return p.Kind
}

// Desk is what the desk card and the take-over sheet are made from, besides the
// ledger: the archive's own names and places.
type Desk struct {
	Name     string // of the holdings
	Masters  string // the first set of masters; "" if there is none
	Sets     []string
	Places   []DeskStore
	Letters  []string // to whom they go
	Deputy   string
	Weekly   string // when the weekly letter comes, "Monday 09:00"
	By       string // by when it should be there, "Monday 12:00"
	Config   string // the configuration's file
	Command  string // how a command begins at the desk, "firmus" or with --config
	State    string // the state folder
	Secrets  []string
	MailSent bool   // letters are configured
	Pages    string // the address of the pages at the desk; "": none are served
}

// Card is one page for each new student: what to do each evening, what never to do, and
// what a letter means.
func (d Desk) Card() sheet.Sheet {
	s := sheet.Sheet{Archive: d.Name, Title: "Desk card"}
	places := sheet.Block{Title: "1. Where things are"}
	var folders [][2]string
	discs := false
	for _, p := range d.Places {
		discs = discs || p.Kind == "optical"
		text := p.kind()
		if p.Place != "" {
			text += ", " + p.Place
		}
		switch {
		case p.Arrivals:
			text += ". New recordings go here, and nowhere else"
		case p.Visiting && p.Kind != "cloud":
			text += ". It lives elsewhere and only visits"
		case p.Follows != "":
			text += ". A program keeps it in step with " + p.Follows
		}
		places.Facts = append(places.Facts, [2]string{p.Store + ":", text})
		if p.Arrivals {
			for _, set := range d.Sets {
				if r := p.Roots[set]; r != "" {
					folders = append(folders, [2]string{"new " + set + ":", report.ShowPlace(r)})
				}
			}
		}
	}
	places.Facts = append(places.Facts, folders...)
	into := d.Masters
	if into == "" {
		into = "SET"
	}
	evening := sheet.Block{Title: "2. In the evening, after a transfer",
		Lines: []string{"This copies the files from the stick, reads them back and compares them. KEEP THE STICK until it says that the stick may be erased. The second command tells that at any time."},
		Mono: []string{d.Command + " receive THE-STICK --into " + into + `/ITEM --sides A,B --by "YOUR NAME"`,
			d.Command + " recognise THE-STICK"}}
	if d.Pages != "" {
		evening.Lines, evening.Mono = nil, nil
		evening.Steps = []string{"Open " + d.Pages + " and choose Work. “Receive from a stick” copies the files, reads them back and compares them.",
			"KEEP THE STICK until Firmus says that the stick may be erased. “Recognise a folder”, on the same page, tells that at any time.",
			"“The sheet for the end of the shift”, on the page Today, says what was done and what waits."}
	}
	never := sheet.Block{Title: "3. Never", Lines: []string{
		"Never open, save, rename or move a master. Work on a copy among the access files.",
		"Never run a repair program on a drive. If a drive makes unusual noises, stop using it and ask first.",
		"Never delete or copy the files that begin with .firmus."}}
	letter := sheet.Block{Title: "4. When a letter says AT RISK or NO INTACT COPY KNOWN",
		Steps: []string{"Touch no copy of that file. If a program keeps folders in step, pause it.", "Read the letter to its end. Do its numbered steps in their order.", "This shows what is open, also without the letter:"},
		Mono:  []string{d.Command + " findings"}}
	if d.Pages != "" {
		letter.Mono = []string{d.Pages + "/findings"}
	}
	// Where Firmus may have stopped there are no pages: what to run then is said on every card.
	silent := sheet.Block{Title: "5. When the weekly letter doesn't come",
		Mono: []string{d.Command + " service status   (does it run?)", d.Command + " check            (what would not work?)", d.Command + " audit            (looks at all copies now)"}}
	if d.MailSent {
		silent.Lines = []string{fmt.Sprintf("It comes %s to %s. If it isn't there by %s, run:", d.Weekly, strings.Join(d.Letters, ", "), d.By)}
	} else {
		silent.Lines = []string{"No letters are configured here, so somebody must look once a week. Run:"}
	}
	burned := sheet.Block{Title: "6. When a disc is to be burned",
		Lines: []string{"The first command prints what to burn and how. The second reads the burned disc, compares it and writes a page to print. NUMBER is what is written on the disc, with its letter."},
		Mono:  []string{d.Command + " disc sheet NUMBER", d.Command + ` disc check --written "NUMBER" --sheet check.html --by "YOUR NAME"`}}
	byHand := `Every act carries a name: --by "YOUR NAME".`
	if d.Pages != "" {
		burned.Lines, burned.Mono = nil, nil
		burned.Steps = []string{"The page Discs has a burn sheet to print for each disc: what to burn, and how.",
			"Put the burned disc into the drive. On the page Work, “Check the disc in the drive” reads it and compares it. Print its check sheet from the page of the disc."}
		byHand = "Every act carries a name: yours, not that of who sat there before."
	}
	decides := sheet.Block{Title: "6. Who decides", Lines: []string{
		"The archivist signs off, retires and settles. " + byHand,
		"Local rules come before this card, and so does what the people say who know the drives."}}
	s.Blocks = []sheet.Block{places, evening, never, letter, silent}
	if discs {
		decides.Title = "7. Who decides"
		s.Blocks = append(s.Blocks, burned)
	}
	s.Blocks = append(s.Blocks, decides)
	return s
}

// TakeOver is for who takes the archive over: places, accounts, keys, open findings,
// promises. It names where secrets lie and never shows one.
func TakeOver(ctx context.Context, d Desk, l *ledger.Ledger, rules care.Rules, now time.Time) (sheet.Sheet, error) {
	h, err := MakeHoldings(ctx, l, d.Name, rules, now)
	if err != nil {
		return sheet.Sheet{}, err
	}
	var backups []ledger.Backup
	if err := l.View(ctx, func(t *ledger.Tx) (err error) { backups, err = t.Log.Backups(); return err }); err != nil {
		return sheet.Sheet{}, err
	}
	s := sheet.Sheet{Archive: d.Name, Title: "Take-over sheet", Under: report.Local(now)}
	add := func(b sheet.Block) {
		if b.Facts != nil || b.Table != nil || b.Lines != nil || b.Steps != nil || b.List != nil {
			s.Blocks = append(s.Blocks, b)
		}
	}
	add(sheet.Block{Lines: []string{"Handed over by ______________________   to ______________________   on ______________"}})
	lives := sheet.Block{Title: "Where it lives", Facts: [][2]string{{"configuration", report.ShowPlace(d.Config)},
		{"state folder", report.ShowPlace(d.State) + " (the ledger, the record's key, the event files)"}, {"the ledger", l.Where()}}}
	for _, x := range d.Secrets {
		lives.Facts = append(lives.Facts, [2]string{"secret", report.ShowPlace(x)})
	}
	lives.Lines = []string{"Hand secrets over apart from this sheet. Change passwords and sign-ins when a person leaves."}
	add(lives)
	stores := sheet.Block{Title: "Stores", Table: &sheet.Table{Head: []string{"store", "kind", "place", "set", "folder"}}}
	for _, p := range d.Places {
		row := []string{p.Store, p.kind(), p.Place, "", ""}
		for _, set := range d.Sets {
			if r := p.Roots[set]; r != "" {
				row[3], row[4] = set, report.ShowPlace(r)
				stores.Table.Rows = append(stores.Table.Rows, row)
				row = []string{"", "", "", "", ""}
			}
		}
		if row[0] != "" {
			stores.Table.Rows = append(stores.Table.Rows, row)
		}
	}
	add(stores)
	add(h.underCare())
	add(h.notReached())
	add(ownersBlock(h.Owners))
	letters := sheet.Block{Title: "Letters go to", Lines: []string{"nobody: no [mail] is configured"}}
	if d.MailSent {
		letters.Lines = append([]string{}, d.Letters...)
	}
	if d.Deputy != "" {
		letters.Lines = append(letters.Lines, d.Deputy+" (deputy, after three days without an answer)")
	}
	add(letters)
	open := sheet.Block{Title: "Open findings (firmus findings)", Lines: []string{h.Findings.words()}}
	for _, k := range h.Keep {
		open.List = append(open.List, fmt.Sprintf("KEEP: %s, received %s", report.Show(k.Source), at(k.Received)))
	}
	add(open)
	add(unfinishedBlock(h.Unfinished))
	add(promisesOf(h.Stores))
	kept := sheet.Block{Title: "Backups of the ledger"}
	for _, b := range backups {
		state := b.Trouble
		if state == "" {
			state = "read back"
		}
		kept.Facts = append(kept.Facts, [2]string{b.Store, fmt.Sprintf("%s, %s, %s", report.Local(b.At), fixity.Count(b.Events, "event"), state)})
	}
	if len(backups) == 0 {
		kept.Lines = []string{"none yet"}
	}
	add(kept)
	add(sheet.Block{Title: "On the first day", Steps: []string{"Run: " + d.Command + " check", "Run: " + d.Command + " audit --full", "Read the open findings: " + d.Command + " findings", "Look whether the next letter comes."}})
	return s, nil
}

// promisesOf are the promises to read, a line a store where its sets have the same one.
func promisesOf(stores []StoreSet) sheet.Block {
	b := sheet.Block{Title: "Promises"}
	sets := map[string][]string{} // of a store and what is promised there
	for _, x := range stores {
		if x.Promise == 0 || !x.Adopted {
			continue
		}
		kept := "kept"
		if !x.Kept {
			kept = "NOT KEPT"
		}
		text := fmt.Sprintf("every byte read within %s: %s", report.Days(time.Duration(x.Promise)*time.Second), kept)
		if sets[x.Store+text] == nil {
			b.Facts = append(b.Facts, [2]string{x.Store, text})
		}
		sets[x.Store+text] = append(sets[x.Store+text], x.Set)
	}
	for i, f := range b.Facts {
		b.Facts[i][0] += ", " + fixity.And(sets[f[0]+f[1]])
	}
	return b
}
