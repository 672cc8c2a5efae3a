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
// right; nil where what is said of other stores will do.
func nextInCloud(f ledger.Finding, good string) []string {
	p := Show(f.Path)
	audit := ", then run: firmus audit " + f.Store
	upload := fmt.Sprintf("Upload %s from %s", p, good)
	switch f.Step {
	case policy.StepRecover:
		switch {
		case fixity.State(f.Kind) == fixity.Missing:
			return []string{
				"Look in the service's bin: whoever owns the file can take it out of there for as long as the service keeps it.",
				fmt.Sprintf("If it isn't there: %s to its folder again%s", lower(upload), audit),
			}
		case f.Anatomy == fixity.CutShort:
			return []string{
				"Look whether its upload still goes on, and if not why it broke off.",
				fmt.Sprintf("%s again, as a new version of the same file%s", upload, audit),
			}
		case strings.Contains(f.Detail, ledger.SaysRight):
			return []string{
				"Nobody exchanged it: it changed where the service keeps it, or on the way. Download it once more, keep that outside the sets, and tell the service.",
				fmt.Sprintf("%s as a new version of the same file%s", upload, audit),
			}
		}
		return []string{
			"Look at the service's list of the file's earlier versions: it says who put this one there, and when. Earlier ones are kept for some weeks only.",
			fmt.Sprintf("Go back to the earlier version there, or %s as a new version of the same file%s", lower(upload), audit),
		}
	case policy.StepMoveBack:
		return []string{fmt.Sprintf("In the service, move it back from %s to %s%s", Show(f.FoundAt), p, audit)}
	case policy.StepCopy:
		return []string{fmt.Sprintf("%s to %s%s", upload, f.Store, audit)}
	case policy.StepReread:
		return []string{fmt.Sprintf("Look at the connection, try from another computer, then run: firmus audit %s. Put nothing back before two readings agree.", f.Store)}
	case policy.StepOther:
		return []string{"Don't touch any copy of it. Look for another one: in the service's bin and its list of the file's earlier versions, on discs, the recorder's stick, with whoever was given a copy."}
	}
	if f.Kind == fixity.Away { // nobody can plug it in
		return []string{
			"Run: firmus check. It says whether it is the connection, the sign-in or the sharing of the folder, and what to do.",
			"When it says that the store can be audited, run: firmus audit " + f.Store,
		}
	}
	return nil
}

func lower(s string) string { return strings.ToLower(s[:1]) + s[1:] }

// Text says whose files an Owner's are, and that they go with the account.
func (o Owner) Text(store string) string {
	files, belong, they := Count(o.Files, "file")+" in the "+store, "belong", "they go"
	if o.Files == 1 {
		belong, they = "belongs", "it goes"
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
	fmt.Fprintf(w, "\nAccounts that files in the cloud belong to: the files go when the account is closed\n")
	for _, o := range all {
		what := "a personal account that may be closed: have it hand them over to the folder's own"
		if o.Own {
			what = "the folder's own account"
		}
		fmt.Fprintf(w, "   %-12s %9s  %-40s %s\n", o.Store, Count(o.Files, "file"), o.Owner, what)
	}
}
