package deciding

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// SignOffOrder says what a person accepts.
type SignOffOrder struct {
	Findings []int64
	Incident int64 // all open findings of an incident as well
	Files    int64 // how many that is, typed by the person; 0: not typed
	Reason   string

	// What is meant by a change, one of them at most. Without a word it is a change of an
	// access file, or a dispute in which this version is the right one.
	Master        bool // a changed master is really meant
	LostOtherwise bool // nothing better can be had
	NewTransfer   bool // a better transfer, made on purpose
	Description   bool // the description was changed; the sound is the same
	Edited        bool // an access file was edited on purpose, though it looks like damage
	KeepCurrent   bool // of a dispute: the present version, or that in arrivals, is right

	// Saw are, by finding, the marks of what the person was shown (ledger.Seen). A
	// finding without one is taken as it is when the act begins.
	Saw map[int64]string
	// SawAll is the mark of all open findings of the incident as they were shown
	// (ledger.MarkOfAll); "" takes them as they are.
	SawAll string

	two *second // how a second person comes in
}

// SignedOff is what was accepted of one finding.
type SignedOff struct {
	Finding int64  `json:"finding"`
	Store   string `json:"store"`
	Set     string `json:"set"`
	Path    string `json:"path"`
	Did     string `json:"did"` // in words
}

// bulk is how many findings may be signed off at once without typing their number.
const bulk = care.IncidentLeast

// SignOff accepts what findings tell of. It is by place: in the arrivals store an
// altered file becomes a new version, a missing one is retired, a misplaced one renamed
// everywhere. What is unexpected elsewhere is left in peace. Of disputed versions the
// one that is signed off becomes the right one, in whichever store. What a change must
// be to become the truth is care.MaySignOff: rot must not, by a signature. All else
// is refused, with the way out named. It is one transaction: all or none.
//
// The file is read again first: what is signed off is what lies there now, and it
// must be what the finding tells of. Manifests are brought up to date.
func (e Acts) SignOff(ctx context.Context, o SignOffOrder) ([]SignedOff, error) {
	if o.Reason == "" {
		return nil, fmt.Errorf("a sign-off needs a reason (%s): %w", e.Words.Opt("reason"), fixity.ErrRefused)
	}
	meant, err := o.meant()
	if err != nil {
		return nil, err
	}
	if err := e.NoteStores(ctx); err != nil {
		return nil, err
	}
	seen, err := e.OpenFindings(ctx, o.Findings, o.Incident, o.Saw, o.SawAll)
	if err != nil {
		return nil, err
	}
	if len(seen) > bulk && o.Files != int64(len(seen)) {
		return nil, fmt.Errorf("these are %s at once. Look at some of them first; to sign them all off give their number (%s): %w", fixity.Count(len(seen), "file"), e.Words.OptIs("files", len(seen)), fixity.ErrRefused)
	}
	versions := map[int64]toSign{}
	for i, s := range seen {
		if err := e.maySignOff(s.Finding, meant); err != nil {
			return nil, err
		}
		if !changed(s.Finding) {
			if err := e.stillGone(ctx, s); err != nil {
				return nil, err
			}
			continue
		}
		m := meant
		if meant == care.MeantKeep && s.File.Version == 0 && s.Finding.Kind == fixity.Kind(fixity.Disputed) {
			// None of them is the version yet: that in arrivals becomes it.
			if s, err = e.arrivalsSide(ctx, s); err != nil {
				return nil, err
			}
			seen[i], m = s, care.MeantPlain
		}
		if versions[s.Finding.ID], err = e.look(ctx, s, m); err != nil {
			return nil, err
		}
	}
	fs := findingsOf(seen)
	var done []SignedOff
	err = e.actBy(ctx, o.two, seen, func(t *ledger.Tx) error {
		for _, f := range fs {
			did, err := e.signOff(t, f, versions[f.ID], o.Reason)
			if err != nil {
				return fmt.Errorf("finding %d, %s in %s: %w", f.ID, f.Path, f.Store, err)
			}
			done = append(done, SignedOff{f.ID, f.Store, f.Set, ledger.DisplayPath(f.Path), did})
		}
		return nil
	})
	if err != nil {
		return nil, err
	}
	if err := manifests.Of(e.Archive).MakeUpSaying(ctx); err != nil {
		return done, err
	}
	return done, e.audits().FollowUp(ctx, fixity.Bypassed)
}

// stillGone refuses to sign off the absence of a file that lies in its place again. What
// can't be looked at, because its store is away, stays a person's decision.
func (e Acts) stillGone(ctx context.Context, s ledger.Seen) error {
	own, ok := archive.OwnCopy(s)
	if fixity.State(s.Finding.Kind) != fixity.Missing || !ok || own.Carrier != 0 {
		return nil
	}
	root, err := e.Stores().Root(own.Store, own.Set, fixity.Bypassed)
	if err != nil {
		return err
	}
	if _, err := root.Stat(ctx, own.At); err != nil {
		return context.Cause(ctx)
	}
	again := e.Words.ToRead(own.Store)
	return e.refuse(s.Finding, fmt.Sprintf("a file lies in its place again: %s. %s", e.PlaceOf(own), strings.ToUpper(again[:1])+again[1:]))
}

// arrivalsSide is the finding about the arrivals' copy in a dispute at intake.
func (e Acts) arrivalsSide(ctx context.Context, s ledger.Seen) (out ledger.Seen, err error) {
	arrivals, _ := e.Rules.Arrivals(s.File.Set)
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Findings.Of(s.File.ID)
		for _, f := range all {
			if f.Open() && f.Store == arrivals.Name && f.Kind == fixity.Kind(fixity.Disputed) {
				out, err = t.SeeFinding(f.ID)
				return err
			}
		}
		if err == nil {
			err = e.refuse(s.Finding, fmt.Sprintf("no disputed copy is known in %s: sign off the finding of the store that has the right one", arrivals.Name))
		}
		return err
	})
	return out, err
}

func findingsOf(seen []ledger.Seen) []ledger.Finding {
	out := make([]ledger.Finding, 0, len(seen))
	for _, s := range seen {
		out = append(out, s.Finding)
	}
	return out
}

// maySignOff refuses what no word and no reading can make right, and names the way out.
func (e Acts) maySignOff(f ledger.Finding, m care.Meant) error {
	rule, _ := e.Rules.Store(f.Store)
	refuse := func(why string) error {
		// Advice in half a sentence is followed the wrong way: the finding's steps name both places.
		return e.refuse(f, fmt.Sprintf("%s. What to copy or move, from where to where: %s", why, e.Words.ToShow(f.ID)))
	}
	if f.Kind == fixity.Unfinished {
		return refuse("a transfer that isn't whole doesn't become whole by a signature. Transfer the recording again, put that in its place and sign off the change; if nothing better can be had, settle the finding with a reason")
	}
	kind := fixity.State(f.Kind)
	switch {
	case changed(f) && f.Carrier == 0:
		return nil
	case m != care.MeantPlain && m != care.MeantMaster:
		return refuse(fmt.Sprintf("--%s is said of a file whose bytes were changed, or are disputed", m))
	case f.Subject == fixity.OfStray:
		return nil
	case f.Subject != fixity.OfFile && f.Carrier == 0:
		return refuse("there is no change to accept. Put it right and audit again, or settle it with a reason")
	case f.Carrier != 0:
		return refuse("what is on a disc stays there. Try it in a second drive, and burn it anew from an intact copy; if nothing is to be done about it, settle the finding with a reason")
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	switch {
	case !rule.Arrivals && kind == fixity.Misplaced:
		return refuse(fmt.Sprintf("move it back to %s. A new place is accepted in %s, where files arrive", ledger.DisplayPath(f.Path), arrivals.Name))
	case !rule.Arrivals && (kind == fixity.Missing || kind == fixity.Awaited):
		return refuse(fmt.Sprintf("put it back from a store that has it, or retire the file. Absence is accepted in %s, where files arrive", arrivals.Name))
	case !rule.Arrivals && kind == fixity.Behind:
		return refuse(fmt.Sprintf("it is an earlier version. The newer one was accepted in %s, where files arrive", arrivals.Name))
	case !rule.Arrivals:
		return refuse(fmt.Sprintf("recover it from an intact copy. A change is accepted in %s, where files arrive", arrivals.Name))
	case kind == fixity.Unreadable || kind == fixity.Unsteady:
		return refuse("its bytes can't be relied on. Recover it from an intact copy")
	case kind == fixity.Behind || kind == fixity.Awaited:
		return refuse("the newer version was signed off. Put that one in its place; if it is lost, or isn't wanted any more, settle the finding with a reason")
	}
	return nil
}

func (e Acts) signOff(t *ledger.Tx, f ledger.Finding, taken toSign, reason string) (string, error) {
	rule, _ := e.Rules.Store(f.Store)
	if f.Subject == fixity.OfStray {
		return "left in peace until it changes", t.Findings.SignOffStray(f, e.By, reason)
	}
	switch fixity.State(f.Kind) {
	case fixity.Missing:
		return "retired: it is expected nowhere any more", t.Findings.SignOffAbsence(f, e.By, reason)
	case fixity.Misplaced:
		return fmt.Sprintf("renamed to %s everywhere", ledger.DisplayPath(f.FoundAt)), t.Findings.SignOffPlace(f, rule.ReadWithin, e.By, reason)
	}
	if taken.keep {
		n, err := t.Findings.KeepVersion(f, e.By, reason)
		return fmt.Sprintf("version %d is kept; this copy is altered", n), err
	}
	// Another file may have got these bytes since they were read: by this very order, too.
	b3, _ := taken.Sums.Get(fixity.BLAKE3)
	if is, err := askWhose(t, f, b3, &taken.asked); err != nil {
		return "", err
	} else if o := care.MaySignOff(taken.asked); o.Why == care.BytesOfOther {
		return "", fmt.Errorf("these are the bytes of another file under care by now, %s: %w", is, fixity.ErrRefused)
	}
	v := ledger.VersionOf(taken.Sums.Size, taken.Sums.Digests, taken.Sums.Blocks, e.By, reason)
	v.Sound = &taken.sound
	n, err := t.Findings.SignOffVersion(f, v, taken.Entry, fixity.Evidence{Strength: fixity.Read, At: taken.At, OK: true, Cache: taken.Cache}, rule.ReadWithin, e.By, reason)
	return fmt.Sprintf("version %d", n), err
}

// SettleOrder says which findings a person closes.
type SettleOrder struct {
	Findings []int64
	Like     int64 // and all of the class of this one: same store, set, kind and anatomy
	Files    int64 // how many that is, typed by the person; 0: not typed
	Reason   string
	Saw      map[int64]string // by finding: marks of what the person was shown
	SawAll   string           // of the class as it was shown; "" takes it as it is

	two *second // how a second person comes in
}

// Settle closes findings with a reason. What they tell of stays as it is and isn't
// reported again while it stays the same; it still doesn't count as a copy. With
// Like it is one decision for a class.
func (e Acts) Settle(ctx context.Context, o SettleOrder) ([]ledger.Finding, error) {
	reason := o.Reason
	if reason == "" {
		return nil, fmt.Errorf("settling needs a reason (%s): %w", e.Words.Opt("reason"), fixity.ErrRefused)
	}
	ids := o.Findings
	if o.Like != 0 {
		class, err := e.classOf(ctx, o.Like, o.SawAll)
		if err != nil {
			return nil, err
		}
		ids = append(slices.Clone(ids), class...)
	}
	seen, err := e.OpenFindings(ctx, ids, 0, o.Saw, "")
	if err != nil {
		return nil, err
	}
	fs := findingsOf(seen)
	if len(fs) > bulk && o.Files != int64(len(fs)) {
		return nil, fmt.Errorf("these are %s at once. Look at some of them first; to settle them all give their number (%s): %w", fixity.Count(len(fs), "file"), e.Words.OptIs("files", len(fs)), fixity.ErrRefused)
	}
	return fs, e.actBy(ctx, o.two, seen, func(t *ledger.Tx) error {
		for i, f := range fs {
			fs[i].Reason = reason
			if f.Subject == fixity.OfStray {
				if err := t.Strays.LeaveInPeace(f.Store, f.Set, f.Path); err != nil {
					return err
				}
			}
			if err := t.Findings.Settle(f, fixity.ByPerson, e.By, reason); err != nil {
				return fmt.Errorf("finding %d: %w", f.ID, err)
			}
		}
		return nil
	})
}

// classOf are the open findings of the class of one: same store, set, subject, kind
// and anatomy. sawAll is the mark of those that a person was shown.
func (e Acts) classOf(ctx context.Context, id int64, sawAll string) (ids []int64, err error) {
	err = e.Ledger.View(ctx, func(t *ledger.Tx) error {
		one, err := t.Findings.Get(id)
		if err != nil {
			return archive.NoFinding(id, err)
		}
		all, err := t.Findings.Open(one.Store)
		if err != nil {
			return err
		}
		var class []ledger.Finding
		for _, f := range all {
			if f.Set == one.Set && f.Subject == one.Subject && f.Kind == one.Kind && f.Anatomy == one.Anatomy {
				class, ids = append(class, f), append(ids, f.ID)
			}
		}
		return archive.SawAll(class, sawAll)
	})
	return ids, err
}
