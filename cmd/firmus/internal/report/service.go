package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// cloudKind is the kind of store that a service keeps.
const cloudKind = "cloud"

// Said is what a service says of the copy that a finding is about, beside what a
// reading showed; "" for other stores, and where there is nothing to add.
func Said(f ledger.Finding, rules care.Rules) string {
	rule, _ := rules.Store(f.Store)
	if rule.Kind != cloudKind || f.Subject != fixity.OfFile {
		return ""
	}
	if fixity.State(f.Kind) == fixity.Missing {
		return Told(f, Local) // what became of it, as far as the service tells
	}
	x, ok := f.Facts.Find(fixity.ServiceRight, fixity.ServiceFewer, fixity.ServiceOther)
	if !ok {
		return ""
	}
	return Fact(x)
}

// inService is what a person finds and does in one kind of service.
type inService struct {
	bin, versions string // where what was deleted, or was there before, may be
	back          string // to bring back an earlier version, with a blank behind it
	over          string // how a file is uploaded in the place of another
	others        string // where else a copy may be
	trouble       string // what may keep from all of it
	credential    string // what opens it
}

// services are those that are not as most are that people sign in to.
var services = map[string]inService{
	"s3": {
		bin:      "In the service's console, have the versions of the file shown. If the newest is a delete marker, delete that marker alone: the version below it is there again.",
		versions: "In the service's console, have the versions of the file shown, if the bucket keeps them: they say when each was put there.",
		back:     "Make the earlier version the newest again there, by copying it over the file. ",
		over:     " under the same key",
		others:   "among its earlier versions in the bucket, if that keeps them",
		trouble:  "the connection, the clock, the key or the bucket",

		credential: "key",
	},
	"webdav": {
		bin:      "Look in the service's bin, if it has one: its own pages in a browser show it.",
		versions: "Look at the file's earlier versions in the service's own pages, if it keeps any: they say who put this one there, and when.",
		back:     "Go back to the earlier version there. ",
		over:     " over the same file",
		others:   "in the service's bin and among the file's earlier versions, if it keeps them",
		trouble:  "the connection, the password or the address of the folder",

		credential: "password",
	},
}

// Credential is what opens a store that a service keeps: a key, a password or a sign-in.
func Credential(store string, rules care.Rules) string { return serviceOf(store, rules).credential }

func (m Matter) service(store string) inService { return serviceOf(store, m.Rules) }

// serviceOf says how it is in the service that keeps a store.
func serviceOf(store string, rules care.Rules) inService {
	rule, _ := rules.Store(store)
	if how, ok := services[rule.Service]; ok {
		return how
	}
	return inService{
		bin:      "Look in the service's bin: whoever owns the file can take it out of there for as long as the service keeps it.",
		versions: "Look at the service's list of the file's earlier versions: it says who put this one there, and when. Earlier ones are kept for some weeks only.",
		back:     "Go back to the earlier version there. ",
		over:     " as a new version of the same file",
		others:   "in the service's bin and its list of the file's earlier versions",
		trouble:  "the connection, the sign-in or the sharing of the folder",

		credential: "sign-in",
	}
}

// nextInCloud is next for what only the service's own pages and programs can put
// right; nil where what is said of other stores will do. good are copies that were read
// and are intact.
func (m Matter) nextInCloud(f ledger.Finding, good []donor) []Step {
	audit, how := thenRead(f.Store), m.service(f.Store)
	upload := func(before Saying, as string) Step {
		return Step{Text: text(before, "Upload the good file"+as+":"), Lines: m.fromTo(f, good), Then: audit}
	}
	if len(good) > 0 {
		first := m.good(good[0], f)
		keep := Step{Text: text(first, fmt.Sprintf(" The DAMAGED copy is on the %s. Download that one, and keep it outside the stores:", m.name(f.Store))), Lines: m.outOf(f)}
		switch {
		case f.Step == care.StepRecover && fixity.State(f.Kind) == fixity.Altered && m.Files[f.File].Unfinished:
			return m.perhapsWhole(f, good)
		case f.Step == care.StepCopy && fixity.State(f.Kind) == fixity.Behind && m.longer(f) != "":
			return m.bring(f, good)
		case f.Step == care.StepCopy && fixity.State(f.Kind) == fixity.Behind:
			return []Step{upload(text(first, " "), how.over)}
		case f.Step == care.StepCopy:
			return []Step{upload(text(first, " "), " to its folder")}
		case f.Step == care.StepRecover && fixity.State(f.Kind) == fixity.Missing:
			return []Step{
				say(how.bin),
				upload(text("If it isn't there: ", first, " "), " to its folder again"),
			}
		case f.Step == care.StepRecover && f.Anatomy == fixity.CutShort:
			return []Step{
				say("Look whether its upload still goes on, and if not why it broke off."),
				upload(text(first, " "), " again,"+how.over),
			}
		case f.Step == care.StepRecover && m.longer(f) != "":
			return []Step{
				{Text: text(m.longer(f), " Listen to both, and upload nothing over it while you are in doubt:"), Lines: []Line{{"UNDER CARE", good[0].place}, {"OTHER", m.place(f)}}},
				say("If it is damage all the same, go on."), keep, upload(nil, how.over),
			}
		case f.Step == care.StepRecover && f.Facts.Tells(fixity.ServiceRight):
			keep.Text = text("Nobody exchanged the copy on the service: it changed where the service keeps it, or on the way. Tell the service. ", keep.Text)
			return []Step{keep, upload(nil, how.over)}
		case f.Step == care.StepRecover:
			return []Step{
				say(how.versions),
				keep,
				upload(text(how.back, "Or: "), how.over),
			}
		}
	}
	switch f.Step {
	case care.StepMoveBack:
		what := "In the service, move it back to its place:"
		if FormerName(f) {
			what = "The file was renamed, and has its former name here. In the service, move it to its new one:"
		}
		return []Step{{Text: text(what), Lines: m.moveBack(f), Then: audit}}
	case care.StepReread:
		return []Step{say(fmt.Sprintf("Look at the connection to the %s, and try from another computer. ", m.name(f.Store)), audit, ". Put nothing back before two readings agree.")}
	case care.StepOther:
		return []Step{say("Don't touch any copy of it. Look for another one: " + how.others + ", on discs, the recorder's stick, with whoever was given a copy.")}
	}
	if f.Kind == fixity.Away { // nobody can plug it in
		return []Step{
			say("Find out what is wrong: ", Order{Act: TryAll}, ". It says whether it is "+how.trouble+", and what to do."),
			say("When it says that the store can be audited, ", Order{Act: ReadStore, Stores: []string{f.Store}, Run: true}),
		}
	}
	return nil
}

// Owner is an account that files which a service keeps belong to: they go with it.
type Owner struct {
	Store string `json:"store"`
	Owner string `json:"owner"`
	Files int64  `json:"files"`
	Own   bool   `json:"folder"` // the folder that they lie in is its own too
}

// Text says whose files an Owner's are, and that they go with the account.
func (o Owner) Text(store string) string {
	files, belong, they := fixity.Count(o.Files, "file")+" in the "+store, "belong", "they are lost"
	if o.Files == 1 {
		belong, they = "belongs", "it is lost"
	}
	if o.Own {
		return fmt.Sprintf("%s %s to the account that owns the folder: %s when it is closed", files, belong, they)
	}
	return fmt.Sprintf("%s %s to a personal account that may be closed", files, belong)
}
