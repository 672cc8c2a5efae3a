package report

import (
	"fmt"
	"io"
	"strings"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// cloudKind is the kind of store that a service keeps.
const cloudKind = "cloud"

// Said is what a service says of the copy that a finding is about, beside what a
// reading showed; "" for other stores, and where there is nothing to add.
func Said(f ledger.Finding, rules policy.Rules) string {
	rule, _ := rules.Store(f.Store)
	if rule.Kind != cloudKind || f.Subject != fixity.OfFile {
		return ""
	}
	if fixity.State(f.Kind) == fixity.Missing {
		return f.Detail // what became of it, as far as the service tells
	}
	for _, s := range []string{ledger.SaysRight, ledger.SaysFewer, ledger.SaysOther} {
		if strings.Contains(f.Detail, s) {
			return s
		}
	}
	return ""
}

// nextInCloud is next for what only the service's own pages and programs can put
// right; nil where what is said of other stores will do. good are copies that were read
// and are intact.
func (m Matter) nextInCloud(f ledger.Finding, good []donor) []Step {
	audit := "Then run: firmus audit " + f.Store
	upload := func(before, how string) Step {
		return Step{Text: before + "Upload the good file" + how + ":", Lines: m.fromTo(f, good), Then: audit}
	}
	if len(good) > 0 {
		first := m.good(good[0], f)
		keep := Step{Text: fmt.Sprintf("%s The DAMAGED copy is on the %s. Download that one, and keep it outside the stores:", first, m.name(f.Store)), Lines: m.outOf(f)}
		switch {
		case f.Step == policy.StepRecover && fixity.State(f.Kind) == fixity.Altered && m.Files[f.File].Unfinished:
			return m.perhapsWhole(f, good)
		case f.Step == policy.StepCopy && fixity.State(f.Kind) == fixity.Behind && m.longer(f) != "":
			return m.bring(f, good)
		case f.Step == policy.StepCopy && fixity.State(f.Kind) == fixity.Behind:
			return []Step{upload(first+" ", " as a new version of the same file")}
		case f.Step == policy.StepCopy:
			return []Step{upload(first+" ", " to its folder")}
		case f.Step == policy.StepRecover && fixity.State(f.Kind) == fixity.Missing:
			return []Step{
				say("Look in the service's bin: whoever owns the file can take it out of there for as long as the service keeps it."),
				upload("If it isn't there: "+first+" ", " to its folder again"),
			}
		case f.Step == policy.StepRecover && f.Anatomy == fixity.CutShort:
			return []Step{
				say("Look whether its upload still goes on, and if not why it broke off."),
				upload(first+" ", " again, as a new version of the same file"),
			}
		case f.Step == policy.StepRecover && m.longer(f) != "":
			return []Step{
				{Text: m.longer(f) + " Listen to both, and upload nothing over it while you are in doubt:", Lines: []Line{{"UNDER CARE", good[0].place}, {"OTHER", m.place(f)}}},
				say("If it is damage all the same, go on."), keep, upload("", " as a new version of the same file"),
			}
		case f.Step == policy.StepRecover && strings.Contains(f.Detail, ledger.SaysRight):
			keep.Text = "Nobody exchanged the copy on the service: it changed where the service keeps it, or on the way. Tell the service. " + keep.Text
			return []Step{keep, upload("", " as a new version of the same file")}
		case f.Step == policy.StepRecover:
			return []Step{
				say("Look at the service's list of the file's earlier versions: it says who put this one there, and when. Earlier ones are kept for some weeks only."),
				keep,
				upload("Go back to the earlier version there. Or: ", " as a new version of the same file"),
			}
		}
	}
	switch f.Step {
	case policy.StepMoveBack:
		return []Step{{Text: "In the service, move it back to its place:", Lines: m.moveBack(f), Then: audit}}
	case policy.StepReread:
		return []Step{say(fmt.Sprintf("Look at the connection to the %s, and try from another computer. %s. Put nothing back before two readings agree.", m.name(f.Store), audit))}
	case policy.StepOther:
		return []Step{say("Don't touch any copy of it. Look for another one: in the service's bin and its list of the file's earlier versions, on discs, the recorder's stick, with whoever was given a copy.")}
	}
	if f.Kind == fixity.Away { // nobody can plug it in
		return []Step{
			say("Run: firmus check. It says whether it is the connection, the sign-in or the sharing of the folder, and what to do."),
			say("When it says that the store can be audited, run: firmus audit " + f.Store),
		}
	}
	return nil
}

// Text says whose files an Owner's are, and that they go with the account.
func (o Owner) Text(store string) string {
	files, belong, they := Count(o.Files, "file")+" in the "+store, "belong", "they are lost"
	if o.Files == 1 {
		belong, they = "belongs", "it is lost"
	}
	if o.Own {
		return fmt.Sprintf("%s %s to the account that owns the folder: %s when it is closed", files, belong, they)
	}
	return fmt.Sprintf("%s %s to a personal account that may be closed", files, belong)
}

// writeOwners lists the accounts, for who must know them by name.
func writeOwners(w io.Writer, all []Owner) {
	if len(all) == 0 {
		return
	}
	fmt.Fprintf(w, "\nAccounts that own files in the cloud. When an account is closed, its files are lost\n")
	for _, o := range all {
		what := "a personal account that may be closed: have it hand them over to the folder's own"
		if o.Own {
			what = "the folder's own account"
		}
		fmt.Fprintf(w, "   %-12s %9s  %-40s %s\n", o.Store, Count(o.Files, "file"), o.Owner, what)
	}
}
