package letters_test

import (
	"fmt"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/letters"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

var rules = care.Rules{
	Stores: []care.Store{
		{Name: "studio", Kind: "disk", Place: "Studio, room 12", Sets: []string{"masters", "access"}, Arrivals: true, ReadWithin: 30 * 24 * time.Hour},
		{Name: "cloud", Kind: "cloud", Follows: "studio", Sets: []string{"masters", "access"}},
		{Name: "vault", Kind: "disk", Place: "Vault, town hall", Visiting: true, Sets: []string{"masters", "access"}, ExpectWithin: 30 * 24 * time.Hour},
	},
	Sets: []care.Set{{Name: "masters", Role: fixity.Master}, {Name: "access", Role: fixity.Access}},
}

// where is as on a system that writes \ between folders.
var where = report.Where{
	Path: func(store, set, at string) string {
		root := map[string]string{"studio": `D:\studio`, "vault": `E:\vault`}[store]
		if root == "" {
			return store + " (drive): " + set + "/" + at
		}
		return strings.TrimSuffix(root+`\`+set+`\`+strings.ReplaceAll(at, "/", `\`), `\`)
	},
	Aside: func(store, set string) string { return `D:\kept-aside` },
}

func at(day, hour, minute int) time.Time {
	return time.Date(2025, 11, day, hour, minute, 0, 0, time.UTC)
}

var readFirst, readAgain = time.Date(2025, 11, 25, 2, 11, 4, 0, time.UTC), time.Date(2025, 11, 25, 2, 19, 10, 0, time.UTC)

// twice is what two readings past the cache showed.
func twice(is fixity.FactKind) fixity.Fact {
	return fixity.Fact{Is: is, At: fixity.Instants(readFirst, readAgain), Cache: fixity.Bypassed}
}

func seen(fs ...fixity.Fact) fixity.Facts { return fixity.Facts{Seen: fs} }

// damage is a finding about the master QV-0107, with copies to go with it.
func damage(id int64, store string, kind fixity.State, u fixity.Urgency, step care.Step, intact ...string) ledger.Finding {
	return ledger.Finding{File: 107, Step: step, Audit: 40, Finding: fixity.Finding{ID: id, Subject: fixity.OfFile, Kind: fixity.Kind(kind), Urgency: u, Store: store, Set: "masters",
		Path: "QV-0107/QV-0107_A.wav", IntactIn: intact, Count: 1, Opened: at(25, 2, 19), Seen: at(25, 2, 19),
		Facts: seen(twice(fixity.SameWrong))}}
}

func read(store string, s fixity.State, when time.Time, ok bool) ledger.Copy {
	return ledger.Copy{Store: store, Set: "masters", File: 107, State: s, Size: 1 << 20, Read: fixity.Evidence{Strength: fixity.Read, At: when, OK: ok, Cache: fixity.Bypassed}}
}

func reported(c ledger.Copy, when time.Time, ok bool) ledger.Copy {
	c.Reported = fixity.Evidence{Strength: fixity.Reported, At: when, OK: ok}
	return c
}

func ahead(c ledger.Copy) ledger.Copy {
	c.Due = time.Unix(0, -1)
	return c
}

// matters are letters of every kind, by the name of their golden file.
func matters() map[string]letters.Matter {
	ms := map[string]letters.Matter{}
	add := func(name string, m letters.Matter) {
		if m.Rules.Stores == nil {
			m.Rules = rules
		}
		m.Zone, m.Now, m.Next, m.TakenIn = zone, at(25, 2, 20), at(1, 7, 0).AddDate(0, 1, 0), at(3, 9, 0)
		m.Where = where
		m.To, m.Deputy = []string{"archivist@quillmere.example"}, "deputy@quillmere.example"
		m.Stores = map[string]ledger.Store{"studio": {Seen: at(25, 2, 0)}, "cloud": {Seen: at(25, 2, 0)}, "vault": {Seen: at(8, 10, 0)}}
		for _, c := range m.Copies[107] {
			if c.Store == "vault" && c.Read.At.After(at(20, 0, 0)) {
				m.Stores["vault"] = ledger.Store{Seen: c.Read.At}
			}
		}
		if m.Kind == "" {
			m.Kind = ledger.LetterFirst
		}
		ms[name] = m
	}
	zeroed := damage(7, "studio", fixity.Altered, fixity.AtRisk, care.StepRecover, "cloud", "vault")
	zeroed.Anatomy, zeroed.Ranges = fixity.Zeroed, []fixity.Range{{Offset: 1 << 20, Length: 65536}}
	bad := read("studio", fixity.Altered, at(25, 2, 19), false)
	old := read("vault", fixity.Intact, at(8, 10, 0), true)
	add("damaged", letters.Matter{Open: []ledger.Finding{zeroed}, Reads: true,
		Copies: map[int64][]ledger.Copy{107: {bad, ahead(reported(read("cloud", fixity.Intact, at(1, 3, 0), true), at(25, 1, 0), true)), ahead(old)}}})
	add("damaged-others-read", letters.Matter{Kind: ledger.LetterMore, Open: []ledger.Finding{zeroed}, Read: []string{"cloud"}, First: at(25, 2, 20), Told: []ledger.Told{{Finding: 7}},
		Copies: map[int64][]ledger.Copy{107: {bad, reported(read("cloud", fixity.Intact, at(25, 3, 5), true), at(25, 1, 0), true), ahead(old)}}})
	add("damaged-only-reported", letters.Matter{Open: []ledger.Finding{damage(7, "studio", fixity.Altered, fixity.AtRisk, care.StepRecover, "cloud")},
		Copies: map[int64][]ledger.Copy{107: {bad, reported(ledger.Copy{Store: "cloud", File: 107, State: fixity.Intact, Size: 1 << 20}, at(25, 1, 0), true)}}})
	gone := damage(8, "studio", fixity.Missing, fixity.AtRisk, care.StepRecover, "vault")
	gone.Facts = seen(fixity.Fact{Is: fixity.NotShown})
	add("missing", letters.Matter{Open: []ledger.Finding{gone}, Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Missing, at(20, 2, 0), true), old}}})
	unreadable := seen(fixity.Fact{Is: fixity.NotGiven, At: fixity.Instants(readFirst, readAgain), Said: []string{"input/output error"}})
	cable := damage(10, "studio", fixity.Unsteady, fixity.AtRisk, care.StepReread, "vault")
	cable.Facts = seen(twice(fixity.ReadingsVary))
	dead := damage(9, "studio", fixity.Unreadable, fixity.AtRisk, care.StepRecover, "vault")
	dead.Facts = unreadable
	add("unreadable", letters.Matter{Open: []ledger.Finding{dead},
		Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Unreadable, at(25, 2, 19), false), old}}})
	add("unsteady", letters.Matter{Open: []ledger.Finding{cable},
		Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Unsteady, at(25, 2, 19), false), old}}})
	differ := fixity.Fact{Is: fixity.StoresDiffer, Store: "studio", Other: "vault"}
	one, two := damage(11, "studio", fixity.Disputed, fixity.NoneIntact, care.StepDecide), damage(12, "vault", fixity.Disputed, fixity.NoneIntact, care.StepDecide)
	one.Facts = seen(differ, fixity.Fact{Is: fixity.Held, Bytes: 31_870_044, Date: at(2, 12, 0)})
	two.Facts = seen(differ, fixity.Fact{Is: fixity.Held, Bytes: 31_870_044, Date: at(2, 12, 1)})
	later := damage(12, "vault", fixity.Disputed, fixity.NoneIntact, care.StepDecide)
	later.Facts = seen(twice(fixity.SameWrong), fixity.Fact{Is: fixity.Held, Bytes: 30_000_044, Date: at(1, 12, 0), For: 30 * time.Minute})
	studio := read("studio", fixity.Intact, at(25, 2, 19), true)
	studio.Held, studio.At = 1, later.Path
	add("disputed-later", letters.Matter{Open: []ledger.Finding{later}, Copies: map[int64][]ledger.Copy{107: {studio, read("vault", fixity.Disputed, at(25, 2, 30), false)}}})
	edited := damage(21, "studio", fixity.Altered, fixity.AtRisk, care.StepRecover, "vault")
	edited.Set, edited.Path, edited.Anatomy = "access", "QV-0107/QV-0107_A_01.wav", fixity.Replaced
	edited.Facts = seen(twice(fixity.SameWrong), fixity.Fact{Is: fixity.Held, Bytes: 5_000_044, Date: at(24, 15, 0), For: 28 * time.Second})
	changed, kept := read("studio", fixity.Altered, at(25, 2, 19), false), read("vault", fixity.Intact, at(24, 10, 0), true)
	changed.Set, kept.Set, kept.Held = "access", "access", 1
	add("edited", letters.Matter{Open: []ledger.Finding{edited}, Copies: map[int64][]ledger.Copy{107: {changed, kept}}})
	left, right := edited, edited
	right.ID, right.File, right.Path = 22, 108, "QV-0107/QV-0107_A_02.wav"
	left.Facts = seen(twice(fixity.SameWrong), fixity.Fact{Is: fixity.Exchanged, Set: "access", Places: []fixity.Path{fixity.Path(right.Path)}})
	right.Facts = seen(twice(fixity.SameWrong), fixity.Fact{Is: fixity.Exchanged, Set: "access", Places: []fixity.Path{fixity.Path(left.Path)}})
	add("swap", letters.Matter{Open: []ledger.Finding{left, right}})
	add("disputed", letters.Matter{Open: []ledger.Finding{one, two},
		Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Disputed, at(25, 2, 19), false), read("vault", fixity.Disputed, at(25, 2, 30), false)}}})
	none := damage(13, "studio", fixity.Altered, fixity.NoneIntact, care.StepOther)
	none.Mergeable, none.Anatomy, none.Ranges = true, fixity.Flipped, []fixity.Range{{Offset: 65536, Length: 65536}}
	too := damage(14, "vault", fixity.Altered, fixity.NoneIntact, care.StepOther)
	too.Mergeable, too.Anatomy, too.Ranges = true, fixity.CutShort, []fixity.Range{{Offset: 917504, Length: 131072}}
	add("none-intact", letters.Matter{Open: []ledger.Finding{none, too}, Copies: map[int64][]ledger.Copy{107: {bad, read("vault", fixity.Altered, at(25, 2, 40), false)}}})
	way := damage(16, "vault", fixity.Altered, fixity.AtRisk, care.StepRecover, "cloud")
	way.Facts.WrongWay, way.Facts.IntactAt = "studio", at(8, 10, 0)
	add("wrong-way", letters.Matter{Kind: ledger.LetterMore, Open: []ledger.Finding{damage(7, "studio", fixity.Altered, fixity.AtRisk, care.StepRecover, "cloud"), way}, First: at(25, 2, 20), Told: []ledger.Told{{Finding: 7}},
		Copies: map[int64][]ledger.Copy{107: {bad, read("vault", fixity.Altered, at(25, 2, 40), false), read("cloud", fixity.Intact, at(25, 2, 10), true)}}})
	cut := damage(17, "studio", fixity.State(fixity.Unfinished), fixity.AtRisk, care.StepTransfer)
	cut.Version, cut.Facts = 1, seen(fixity.Fact{Is: fixity.Lacks, Code: string(care.FlawNotWhole), Note: string(sound.DataBeyondEnd), Bytes: 103942})
	add("unfinished", letters.Matter{Open: []ledger.Finding{cut}, Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Intact, at(25, 2, 0), true), old}}})
	add("unfinished-and-damaged", letters.Matter{Open: []ledger.Finding{zeroed, cut}, Copies: map[int64][]ledger.Copy{107: {bad, old}}})
	var cuts []ledger.Finding
	for i := range int64(3) {
		f := cut
		f.ID, f.File, f.Path, f.Incident = 60+i, 300+i, fmt.Sprintf("QV-03%02d/QV-03%02d_A.wav", i, i), 5
		cuts = append(cuts, f)
	}
	add("unfinished-many", letters.Matter{Open: cuts})
	over := cut
	over.Settled, over.SettledAt, over.SettledBy, over.Reason = fixity.Overtaken, at(26, 9, 0), "T. O.", "version 2 took its place; nothing is known to be lacking in it"
	add("unfinished-ended", letters.Matter{Kind: ledger.LetterEnd, Ended: []ledger.Finding{over}, Told: []ledger.Told{{Finding: 17}}, First: at(25, 2, 20),
		Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Intact, at(26, 9, 0), true), old}}})
	lone := damage(15, "vault", fixity.Awaited, fixity.AtRisk, care.StepCopy, "studio")
	lone.Facts = seen(fixity.Fact{Is: fixity.PastTerm})
	add("one-copy", letters.Matter{Open: []ledger.Finding{lone}, Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Intact, at(20, 2, 0), true), {Store: "vault", File: 107, State: fixity.Awaited, Since: at(20, 2, 0), Size: -1}}}})
	var many []ledger.Finding
	copies := map[int64][]ledger.Copy{}
	for i := range int64(3) {
		f := damage(20+i, "studio", fixity.Unreadable, fixity.AtRisk, care.StepRecover, "vault")
		f.File, f.Path, f.Incident, f.Facts = 200+i, fmt.Sprintf("QV-02%02d/QV-02%02d_A.wav", i, i), 4, unreadable
		many = append(many, f)
		copies[f.File] = []ledger.Copy{read("studio", fixity.Unreadable, at(25, 2, 19), false), old}
	}
	few := []ledger.Elsewhere{
		{File: ledger.File{Set: "masters", Path: "QV-0107/QV-0107_A.wav"}},
		{File: ledger.File{Set: "masters", Path: "QV-0203/QV-0203_A The Ferryman's Daughter.wav"}, Others: 1, In: []string{"vault"}},
	}
	add("failing-drive", letters.Matter{Open: many, Copies: copies, Only: 1, Fewest: few})
	add("failing-drive-all-elsewhere", letters.Matter{Open: many, Copies: copies, Fewest: few[1:]})
	mixed := []ledger.Finding{many[0], many[1], many[2]}
	mixed[1].Kind, mixed[1].Urgency, mixed[1].IntactIn, mixed[1].Step = fixity.Kind(fixity.Altered), fixity.NoneIntact, nil, care.StepOther
	for i := range mixed {
		mixed[i].Incident = 0
	}
	add("several", letters.Matter{Open: mixed, Copies: copies})
	away := ledger.Finding{Finding: fixity.Finding{ID: 30, Subject: fixity.OfStore, Kind: fixity.Away, Urgency: fixity.AtRisk, Store: "vault", Count: 4203,
		Facts: seen(fixity.Fact{Is: fixity.RootFails, Root: "/mnt/vault/masters", Set: "masters", Said: []string{"no such file or directory"}}), Opened: at(24, 1, 0), Seen: at(25, 1, 0)}}
	add("away", letters.Matter{Open: []ledger.Finding{away}})
	cloud := away
	cloud.ID, cloud.Store = 32, "cloud"
	cloud.Facts = seen(fixity.Fact{Is: fixity.RootFails, Root: "cloud (drive)", Set: "masters", Said: []string{"the credential doesn't work: store is away"}})
	add("away-cloud", letters.Matter{Open: []ledger.Finding{cloud}})
	cloud.Facts = seen(fixity.Fact{Is: fixity.SignedOut, Root: "cloud (drive)", Set: "masters", Said: []string{"the credential doesn't work: store is away"}})
	add("sign-in", letters.Matter{Open: []ledger.Finding{cloud}})
	for name, service := range map[string]string{"key": "s3", "password": "webdav"} {
		cloud.Facts = seen(fixity.Fact{Is: fixity.SignedOut, Root: "cloud (" + service + ")", Set: "masters", Said: []string{"the credential doesn't work: store is away"}})
		served := rules
		served.Stores = slices.Clone(rules.Stores)
		served.Stores[1].Service = service
		add(name, letters.Matter{Open: []ledger.Finding{cloud}, Rules: served})
	}
	lacks := ledger.Finding{Finding: fixity.Finding{ID: 31, Subject: fixity.OfStore, Kind: fixity.TooFew, Urgency: fixity.AtRisk, Store: "studio", Count: 9,
		Opened: at(25, 2, 0), Seen: at(25, 2, 0), Facts: seen(fixity.Fact{Is: fixity.SuchAs, Set: "masters", Places: []fixity.Path{"QV-0107/QV-0107_A.wav"}})}}
	add("few", letters.Matter{Open: []ledger.Finding{lacks}})
	disc := damage(40, "discs", fixity.Unreadable, fixity.AtRisk, care.StepDrive, "vault")
	disc.Carrier, disc.Disc, disc.Audit = 31, "QD-0031 A", 0
	disc.Facts = seen(fixity.Fact{Is: fixity.OnDisc, Disc: "QD-0031 A", Drive: "Wren 4000 1.02", At: fixity.Instants(readAgain), Sectors: []fixity.Sectors{{LBA: 4000, Count: 2}}})
	onDisc := read("discs", fixity.Unreadable, at(25, 2, 19), false)
	onDisc.Carrier, onDisc.Disc, onDisc.Burned = 31, "QD-0031 A", 1
	twin := read("discs", fixity.Intact, at(12, 14, 0), true)
	twin.Carrier, twin.Disc, twin.Burned, twin.Lesser = 32, "QD-0031 B", 1, true
	add("disc", letters.Matter{Open: []ledger.Finding{disc}, Copies: map[int64][]ledger.Copy{107: {onDisc, twin, old}}})
	second := disc
	second.ID, second.File, second.Path = 41, 108, "QV-0107/QV-0107_B.wav"
	add("disc-several", letters.Matter{Open: []ledger.Finding{disc, second}, Copies: map[int64][]ledger.Copy{107: {onDisc, old}, 108: {onDisc, old}}})
	fading := ledger.Finding{Carrier: 31, Disc: "QD-0031 A", Step: care.StepBurn, Finding: fixity.Finding{ID: 42, Subject: fixity.OfDisc, Kind: fixity.Fading, Urgency: fixity.AtRisk, Store: "discs",
		Path: "QD-0031 A", Count: 1, Opened: at(25, 2, 19), Seen: at(25, 2, 19),
		Facts: seen(fixity.Fact{Is: fixity.Retries, Count: 600, Of: 100000, Before: 20, At: fixity.Instants(readAgain, readAgain.AddDate(-2, 0, 0))})}}
	add("disc-fading", letters.Matter{Open: []ledger.Finding{fading}})
	whole := func(id int64, k fixity.Kind, facts ...fixity.Fact) ledger.Finding {
		f := fading
		f.ID, f.Kind, f.Facts, f.IntactIn = id, k, seen(facts...), []string{"studio", "vault"}
		return f
	}
	add("disc-other", letters.Matter{Open: []ledger.Finding{whole(43, fixity.OtherDisc, fixity.Fact{Is: fixity.DiscElse, Said: []string{"QD-0044"}})}})
	add("disc-other-unknown", letters.Matter{Open: []ledger.Finding{whole(44, fixity.OtherDisc, fixity.Fact{Is: fixity.DiscElse})}})
	add("disc-level", letters.Matter{Open: []ledger.Finding{whole(45, fixity.Kind(fixity.Altered), fixity.Fact{Is: fixity.DiscLevel, Count: 1800})}})
	add("disc-order", letters.Matter{Open: []ledger.Finding{whole(46, fixity.Kind(fixity.Misplaced), fixity.Fact{Is: fixity.DiscOrder})}})
	burned := disc
	burned.Settled, burned.SettledAt, burned.SettledBy = fixity.IntactAgain, at(25, 15, 0), "M. R."
	add("disc-ended", letters.Matter{Kind: ledger.LetterEnd, Ended: []ledger.Finding{burned}, First: at(25, 2, 20), Told: []ledger.Told{{Finding: 40}},
		Copies: map[int64][]ledger.Copy{107: {twin, old}}})
	add("altered-away", letters.Matter{Open: []ledger.Finding{zeroed}, Copies: map[int64][]ledger.Copy{107: {bad, old}}, Away: []string{"studio"}})
	ended := zeroed
	ended.Settled, ended.SettledAt, ended.SettledBy = fixity.PutBack, at(25, 15, 0), "M. R."
	add("put-back", letters.Matter{Kind: ledger.LetterEnd, Ended: []ledger.Finding{ended}, First: at(25, 2, 20), Told: []ledger.Told{{Finding: 7}},
		Copies: map[int64][]ledger.Copy{107: {read("studio", fixity.Intact, at(25, 15, 0), true), old}}})
	settled := zeroed
	settled.Settled, settled.SettledAt, settled.SettledBy, settled.Reason = fixity.ByPerson, at(25, 15, 0), "M. R.", "the noise was there before"
	add("settled", letters.Matter{Kind: ledger.LetterEnd, Ended: []ledger.Finding{settled}, First: at(25, 2, 20), Told: []ledger.Told{{Finding: 7}},
		Copies: map[int64][]ledger.Copy{107: {bad, old}}})
	return ms
}

func TestKinds(t *testing.T) {
	for name, m := range matters() {
		t.Run(name, func(t *testing.T) {
			subject, text, html, err := letters.Write(m)
			if err != nil {
				t.Fatal(err)
			}
			golden(t, "kind-"+name+".txt", "Subject: "+subject+"\n\n"+text)
			if name == "disputed" || name == "failing-drive" {
				golden(t, "kind-"+name+".html", html)
			}
			everyLetter(t, subject, text)
		})
	}
}

var place = regexp.MustCompile(`^ +(FROM|TO|OR FROM|AT|IT LIES AT|[a-z]+ (hard drive|cloud folder))  +\S`)

// everyLetter holds what is true of each letter.
func everyLetter(t *testing.T, subject, text string) {
	t.Helper()
	for _, word := range []string{"slice", "shard", "leaf", "proof", "checkpoint", "crc", "blake3", "merkle", "drift", "attested", "restore", "corrupt", "http", "<", "\t"} {
		if strings.Contains(strings.ToLower(subject+text), word) {
			t.Errorf("%q stands in the letter", word)
		}
	}
	if !strings.Contains(text, "Next letter: Mon 1 Dec 2025, 09:00 QVT") {
		t.Error("the letter doesn't name the date of the next")
	}
	for i, line := range strings.Split(text, "\n") {
		// A place is never broken: it is there to be found and copied.
		if n := len([]rune(line)); n > 78 && !place.MatchString(line) {
			t.Errorf("line %d has %d characters: %s", i+1, n, line)
		}
		if strings.TrimRight(line, " ") != line {
			t.Errorf("line %d ends with blanks", i+1)
		}
	}
	if len([]rune(subject)) > 160 {
		t.Errorf("the subject has %d characters", len([]rune(subject)))
	}
}
