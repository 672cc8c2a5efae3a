package report

import (
	"fmt"
	"strings"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// Edited says that an altered access file may well have been edited on purpose: it was
// saved anew where people work, it isn't what damage looks like, and nothing of a whole
// recording is known to be lacking.
func Edited(f ledger.Finding, rules care.Rules) bool {
	rule, _ := rules.Store(f.Store)
	set, _ := rules.Set(f.Set)
	return fixity.State(f.Kind) == fixity.Altered && set.Role == fixity.Access && rule.Arrivals && f.Anatomy != fixity.Zeroed && f.Anatomy != fixity.CutShort &&
		f.Facts.Tells(fixity.Held) && !f.Facts.Tells(fixity.SignKept, fixity.Lacks, fixity.Shorter, fixity.NoSave, fixity.BytesOf, fixity.Exchanged)
}

// LooksDamaged says that a change of an access file looks like damage and not like an edit.
// Two files that were exchanged are neither.
func LooksDamaged(f ledger.Finding, rules care.Rules) bool {
	set, _ := rules.Set(f.Set)
	return f.Subject == fixity.OfFile && fixity.State(f.Kind) == fixity.Altered && set.Role == fixity.Access && !Edited(f, rules) && !f.Facts.Tells(fixity.Exchanged)
}

// OfOther says that the bytes of a change are those of another file, so that they can't be
// signed off as this one's. Two access files may be exchanged on purpose.
func OfOther(f ledger.Finding, rules care.Rules) bool {
	set, _ := rules.Set(f.Set)
	return f.Facts.Tells(fixity.BytesOf) || f.Facts.Tells(fixity.Exchanged) && set.Role != fixity.Access
}

// askEdited is what comes first of such a file.
func (m Matter) askEdited(f ledger.Finding) []Step {
	return []Step{
		say("Was this edited on purpose? If so, listen to it and accept it as a new version: ", signOff(f)),
		say("If nobody meant it, go on."),
	}
}

// CopyInWords is what a copy of the matter's file is, and when and how it was last known. What
// may have been edited on purpose is called changed.
func (m Matter) CopyInWords(c ledger.Copy, disputed bool) (is, known string) {
	is, known = InWords(c, disputed), LastKnown(c)
	for _, f := range m.Findings {
		if f.File == c.File && f.Store == c.Store && f.Carrier == c.Carrier && Edited(f, m.Rules) {
			is, known = "changed", strings.Replace(known, "read, not as it should be, ", "read ", 1)
		}
	}
	return is, known
}

// More is what is to be told of a finding besides what it is: both versions, where that is
// for a person to decide, and that copies went the wrong way round.
func (m Matter) More(f ledger.Finding) []string {
	var out []string
	if s := m.WrongWay(f); s != "" {
		out = append(out, s)
	}
	if x, ok := f.Facts.Find(fixity.Held); ok && fixity.State(f.Kind) == fixity.Altered && Edited(f, m.Rules) {
		s := "It now has " + m.side(x.Bytes, x.For) + ", dated " + m.when(x.Date) + "."
		if v, ok := m.Files[f.File].version(m.Files[f.File].File.Version); ok {
			s += fmt.Sprintf(" Version %d has %s; %s.", v.N, m.side(v.Size, v.Duration), m.made(v))
		}
		out = append(out, s)
	}
	return out
}

// side is how large and how long one of two versions is.
func (m Matter) side(size int64, took time.Duration) string {
	s := fixity.Count(size, "byte")
	if took > 0 {
		s += ", " + Duration(took) + " long"
	}
	return s
}

// made says who stands behind a version, and since when.
func (m Matter) made(v Length) string {
	s := v.Reason
	if v.By != "" {
		s += " by " + v.By
	}
	if !v.At.IsZero() {
		s += ", " + m.when(v.At)
	}
	return s
}

// sideOf describes a copy that is one side of a dispute.
func (m Matter) sideOf(o ledger.Finding) string {
	x, ok := o.Facts.Find(fixity.Held)
	if c, has := m.Files[o.File].own(o); !ok && has && c.Size >= 0 {
		x, ok = fixity.Fact{Bytes: c.Size, Date: time.Unix(0, c.ModTime)}, true
	}
	if !ok {
		return ""
	}
	s := " (" + m.side(x.Bytes, x.For)
	if x.Date.Unix() != 0 {
		s += ", dated " + m.when(x.Date)
	}
	return s + ")"
}

// Holds says that a copy on a drive or in a service was last shown to be in order.
func Holds(c ledger.Copy) bool {
	return c.Carrier == 0 && c.Held > 0 && (c.State == fixity.Intact || c.State == fixity.Editing)
}

// swapped is the file that a finding's file was exchanged with; "" if it was with none.
func swapped(f ledger.Finding) string {
	x, ok := f.Facts.Find(fixity.Exchanged)
	if !ok || fixity.State(f.Kind) != fixity.Altered || len(x.Places) == 0 {
		return ""
	}
	return x.Set + "/" + string(x.Places[0])
}

// Swap says that the matter is two files that have each other's bytes.
func (m Matter) Swap() bool {
	return len(m.Findings) == 2 && swapped(m.Findings[0]) == m.Findings[1].Set+"/"+m.Findings[1].Path &&
		swapped(m.Findings[1]) == m.Findings[0].Set+"/"+m.Findings[0].Path
}

// swapBack exchanges the names of two files once more. Nothing is copied over anything: the
// third place is outside the store.
func (m Matter) swapBack() []Step {
	a, b := m.Findings[0], m.Findings[1]
	aside := m.outOf(a)[1].Path
	steps := []Step{
		say("Nothing is damaged: each of the two files has the bytes of the other. Listen to both, and find out whether somebody exchanged their names."),
		{Text: text("If they are to be as they were, exchange the names back, in this order:"), Lines: []Line{{from, m.place(a)}, {to, aside}, {from, m.place(b)}, {to, m.place(a)}, {from, aside}, {to, m.place(b)}},
			Then: thenRead(a.Store)},
	}
	switch rule, _ := m.Rules.Store(a.Store); {
	case rule.Arrivals && m.frozen(a): // a version is never another file's bytes, and a renaming is proved one by one
		steps = append(steps, say("If the names as they are now are the right ones, exchange them back all the same. Then rename one file at a time: the first to a third name, the second to its right name, the first to its right name. After each: ",
			Order{Act: ReadStore, Stores: []string{a.Store}}, ", and accept the new place that it tells of."))
	case rule.Arrivals:
		steps = append(steps, say("If they were exchanged on purpose: ", signOff(a, b)))
	}
	return steps
}

// folders are what the folder of a misplaced file was and is called: the paths without what
// both have at their ends. ok is false if not even the name is the same.
func folders(f ledger.Finding) (was, is string, ok bool) {
	if fixity.State(f.Kind) != fixity.Misplaced || f.FoundAt == "" {
		return "", "", false
	}
	a, b := strings.Split(f.Path, "/"), strings.Split(f.FoundAt, "/")
	for len(a) > 0 && len(b) > 0 && a[len(a)-1] == b[len(b)-1] {
		a, b, ok = a[:len(a)-1], b[:len(b)-1], true
	}
	return strings.Join(a, "/"), strings.Join(b, "/"), ok
}

// Folder is what one folder was and is called in which all files of the matter lie; ok is
// false if they were moved in several ways, or are one file only.
func (m Matter) Folder() (was, is string, ok bool) {
	was, is, ok = folders(m.Findings[0])
	for _, f := range m.Findings {
		w, i, same := folders(f)
		ok = ok && same && w == was && i == is && f.Set == m.Findings[0].Set && f.Store == m.Findings[0].Store
	}
	return was, is, ok && len(m.Findings) > 1
}

func (m Matter) isFolder() bool { _, _, ok := m.Folder(); return ok }

// moved is what to do about a folder that lies elsewhere, or is called otherwise.
func (m Matter) moved(was, is string) []Step {
	f := m.Findings[0]
	var steps []Step
	ask := text(fmt.Sprintf("Was the folder moved or renamed on purpose? %s lie under its new name, and nothing of them is lost.", fixity.Count(len(m.Findings), "file")))
	if rule, _ := m.Rules.Store(f.Store); rule.Arrivals {
		ask = text(ask, " If so, accept it as one: ", m.acceptAll())
	}
	steps = append(steps, say(ask))
	return append(steps, Step{Text: text("If not, move the folder back. If anything lies there by now, stop and look at that first:"),
		Lines: []Line{{from, m.Where.path(f.Store, f.Set, is)}, {to, m.Where.path(f.Store, f.Set, was)}}, Then: thenRead(f.Store)})
}

// signOff is the order to accept what findings tell of.
func signOff(fs ...ledger.Finding) Order {
	o := Order{Act: SignOff}
	for _, f := range fs {
		o.Findings = append(o.Findings, f.ID)
	}
	return o
}

// signOffAs is that with what the change is, as an option has it.
func signOffAs(f ledger.Finding, means string) Order {
	o := signOff(f)
	o.Means = means
	return o
}

// settle is the order to leave what a finding tells of as it is.
func settle(f ledger.Finding) Order { return Order{Act: Settle, Findings: []int64{f.ID}} }

// acceptAll is the order that signs off all findings of the matter.
func (m Matter) acceptAll() Order {
	n := len(m.Findings)
	o := Order{Act: SignOff, Incident: m.Findings[0].Incident}
	if o.Incident == 0 {
		o = signOff(m.Findings...)
	}
	if n > askedFrom || o.Incident != 0 {
		o.Files = n
	}
	return o
}

// askedFrom is how many files may be signed off at once without typing how many.
const askedFrom = 20
