package deciding

import (
	"context"
	"errors"
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/hearing"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
)

// toSign is what was read of a file that is to be signed off.
type toSign struct {
	audit.Taken
	sound ledger.Sound
	keep  bool // the present version is kept: nothing was read
	asked care.Asked
}

// meant is what the order means by a sign-off; only one of its words may be said.
func (o SignOffOrder) meant() (care.Meant, error) {
	out := care.MeantPlain
	for _, x := range []struct {
		said  bool
		meant care.Meant
	}{
		{o.Master, care.MeantMaster}, {o.LostOtherwise, care.MeantLost}, {o.NewTransfer, care.MeantNewTransfer},
		{o.Description, care.MeantDescription}, {o.KeepCurrent, care.MeantKeep}, {o.Edited, care.MeantEdited},
	} {
		if !x.said {
			continue
		}
		if out != care.MeantPlain {
			return out, fmt.Errorf("--%s and --%s were said: a sign-off means one of them: %w", out, x.meant, fixity.ErrRefused)
		}
		out = x.meant
	}
	return out, nil
}

// changed says that a finding is about a file whose bytes are of no known version.
func changed(f ledger.Finding) bool {
	k := fixity.State(f.Kind)
	return f.Subject == fixity.OfFile && (k == fixity.Altered || k == fixity.Disputed)
}

// other is a copy of another file that has the version's bytes: what it is called and where it
// lies, and on which disc; "" if in a store.
type other struct{ is, disc string }

// look reads the change that a finding tells of and asks whether it may be signed off.
func (e Acts) look(ctx context.Context, s ledger.Seen, m care.Meant) (toSign, error) {
	own, ok := archive.OwnCopy(s)
	if !ok {
		return toSign{}, e.refuse(s.Finding, fmt.Sprintf("no copy of the file is expected in %s any more", s.Finding.Store))
	}
	a := e.asked(s, own, m)
	var same other
	var whose string
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Copies.SameBytes(s.File.ID, s.File.Version)
		if err != nil {
			return err
		}
		names, err := t.Files.Names(all)
		if err != nil {
			return err
		}
		if len(all) > 0 { // what lies in a store gives its bytes without more ado
			i := max(0, slices.IndexFunc(all, func(c ledger.Copy) bool { return c.Carrier == 0 }))
			a.Same, same = true, other{is: fmt.Sprintf("%s in %s", names[all[i].File], e.PlaceOf(all[i])), disc: all[i].Disc}
		}
		if whose, err = askWhose(t, s.Finding, own.Wrong, &a); err != nil {
			return err
		}
		_, err = t.Findings.UnfinishedOf(s.File.ID)
		a.Unfinished = err == nil
		if errors.Is(err, fixity.ErrNotFound) {
			return nil
		}
		return err
	}); err != nil {
		return toSign{}, err
	}
	object := func(o care.Objected) error {
		if o.Why == care.BytesOfOther {
			return e.refuse(s.Finding, e.notItsBytes(s, own, whose))
		}
		return e.refuse(s.Finding, e.objection(s, own, o, a, same))
	}
	if m == care.MeantKeep {
		o := care.MaySignOff(a)
		if o.Why != care.NoObjection {
			return toSign{}, object(o)
		}
		return toSign{keep: true}, nil
	}
	if o := care.MaySignOff(a.Unread()); o.Why != care.NoObjection {
		return toSign{}, object(o) // before a long reading
	}
	var x toSign
	var err error
	if err = e.UseBeside(ctx, own.Store, func(ctx context.Context, u *stores.Used) (err error) {
		x.Taken, x.sound, err = hearing.Take(ctx, e.Auditor(u), own.Store, own.Set, own.At, fixity.Bypassed, receiving.Digests...)
		return err
	}); err != nil {
		return x, fmt.Errorf("finding %d: read %s before signing it off: %w", s.Finding.ID, e.PlaceOf(own), err)
	}
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		b3, _ := x.Sums.Get(fixity.BLAKE3)
		whose, err = askWhose(t, s.Finding, b3, &a)
		return err
	}); err != nil {
		return x, err
	}
	if err := e.askOfBytes(ctx, s, x, &a); err != nil {
		return x, fmt.Errorf("finding %d: %s: %w", s.Finding.ID, e.PlaceOf(own), err)
	}
	if o := care.MaySignOff(a); o.Why != care.NoObjection {
		return x, object(o)
	}
	x.asked = a
	return x, nil
}

// askWhose adds whether bytes with a digest are those of another file under care, and
// returns what it is called. A retired file has no claim: whoever took a recording in under
// two names says by retiring one which it is.
func askWhose(t *ledger.Tx, f ledger.Finding, b3 fixity.Digest, a *care.Asked) (is string, err error) {
	all, err := acts.Theirs(t, f, b3)
	a.OfOther, a.Double, a.Exchanged = false, false, false
	for _, x := range all {
		if !x.File.Retired.IsZero() {
			continue
		}
		if !a.OfOther || x.Exchanged {
			is = x.File.Set + "/" + ledger.DisplayPath(x.File.Path)
		}
		a.OfOther, a.Double, a.Exchanged = true, a.Double || x.Double, a.Exchanged || x.Exchanged
	}
	return is, err
}

// notItsBytes says that the bytes are those of another file, and what the way out is.
func (e Acts) notItsBytes(s ledger.Seen, own ledger.Copy, is string) string {
	back := e.putBack(s.Finding.ID, own, e.holders(s), fmt.Sprintf("then %s (step by step: %s)", e.Words.ToRead(own.Store), e.Words.ToShow(s.Finding.ID)))
	return fmt.Sprintf("these are the bytes of another file under care, %s, so they are no change of this one. %s. If that recording was taken in under a wrong name, retire the file of that name first", is, back)
}

// others are the copies besides that of the finding, in the order of care.Asked.
func others(s ledger.Seen) []ledger.Copy {
	var out []ledger.Copy
	for _, c := range s.Copies {
		if c.Store != s.Finding.Store || c.Carrier != s.Finding.Carrier {
			out = append(out, c)
		}
	}
	return out
}

// asked is what is known of a change without reading it.
func (e Acts) asked(s ledger.Seen, own ledger.Copy, m care.Meant) care.Asked {
	f := s.File
	set, _ := e.Rules.Set(f.Set)
	rule, _ := e.Rules.Store(own.Store)
	a := care.Asked{Meant: m, Kind: fixity.State(s.Finding.Kind), Role: set.Role, Arrivals: rule.Arrivals, Version: f.Version > 0, Mergeable: s.Finding.Mergeable,
		Damaged: report.LooksDamaged(s.Finding, e.Rules)}
	holding := map[string]bool{}
	for _, c := range others(s) {
		x := care.Another{State: c.State, Looked: true, Holds: e.Rules.Counts(c, f.Version)}
		x.Disc = f.Version > 0 && c.Carrier != 0 && c.Burned == f.Version && (c.State == fixity.Intact || c.State == fixity.Awaited)
		if c.Carrier == 0 && (c.State == fixity.Missing || c.State == fixity.Awaited) {
			x.Looked = !s.Listed[c.Store].Before(s.Finding.Opened)
		}
		if x.Holds {
			holding[c.Store] = true
		}
		a.Others = append(a.Others, x)
	}
	a.Decided = f.Version > 0 && (f.Vouched || len(holding) >= 2)
	return a
}

// askOfBytes adds what the bytes themselves say.
func (e Acts) askOfBytes(ctx context.Context, s ledger.Seen, x toSign, a *care.Asked) error {
	f := s.File
	set, _ := e.Rules.Set(f.Set)
	now, _, err := x.sound.Transfer(set.Role, f.Path, x.Sums.Size)
	if err != nil {
		return err
	}
	a.Whole = now.Sound.Format != sound.Opaque && sound.Judge(now.Notes) == sound.Whole && len(care.Unfinished(now)) == 0
	if f.Version == 0 {
		a.Loss = care.Loss{Lacks: care.Unfinished(now)}
		return nil
	}
	var version ledger.Sound
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if a.Loss, err = t.Files.Lost(f, f.Version, x.Sums.Size, &x.sound); err != nil {
			return err
		}
		if a.Blocks, a.Shared, err = t.Files.Shared(f.ID, f.Version, x.Sums); err != nil {
			return err
		}
		version, err = t.Files.Sound(f.ID, f.Version)
		return err
	}); err != nil || a.Meant != care.MeantDescription {
		return err
	}
	was, known := hearing.Recorded(version)
	if !known || was.Samples.IsZero() {
		// Nobody listened to the version when it came: a copy that holds it is heard now.
		if was, err = e.soundOfVersion(ctx, s); err != nil && !errors.Is(err, fixity.ErrRefused) {
			return err
		}
	}
	a.SameSound = sound.Alike(was, now.Sound) && sound.Judge(now.Notes) != sound.Broken
	return nil
}

// refuse says of a finding that it can't be signed off, and what is the way out.
func (e Acts) refuse(f ledger.Finding, why string) error {
	return fmt.Errorf("finding %d (%s, %s in %s) can't be signed off: %s: %w", f.ID, f.Kind, ledger.DisplayPath(f.Path), f.Store, why, fixity.ErrRefused)
}

// objection says in words why a change can't be signed off, and what can be done; same is
// where another file has the version's bytes.
func (e Acts) objection(s ledger.Seen, own ledger.Copy, o care.Objected, a care.Asked, same other) string {
	set, _ := e.Rules.Set(s.File.Set)
	all := others(s)
	var copies []ledger.Copy
	for _, i := range o.Copies {
		copies = append(copies, all[i])
	}
	w, say := e.Words, e.say
	again := fmt.Sprintf("then %s (step by step: %s)", w.ToRead(own.Store), w.ToShow(s.Finding.ID))
	back := func(from []ledger.Copy) string {
		if a.Unfinished {
			return fmt.Sprintf("The version under care isn't a whole recording, so copy it over nothing. If what lies at %s is the whole one, %s", e.PlaceOf(own), say("new-transfer"))
		}
		return e.putBack(s.Finding.ID, own, from, again)
	}
	switch o.Why {
	case care.NotHere:
		arrivals, _ := e.Rules.Arrivals(s.File.Set)
		return fmt.Sprintf("a change is accepted in %s, where files arrive; recover the version here instead. What to copy or move, from where to where: %s", arrivals.Name, w.ToShow(s.Finding.ID))
	case care.NoDispute:
		return "there is no dispute: one version is known. Put that back, or say what is meant by the change"
	case care.SoundDiffers:
		return "its samples aren't those of the version, or can't be told, so it isn't only its description that changed"
	case care.NotWhole:
		why := report.Loss(a.Loss)
		if why == "" {
			why = "its headers don't say so, or it is of no kind that is taken apart here"
		}
		return fmt.Sprintf("%s can't be shown to be a whole sound file, so it is no better transfer: %s", e.PlaceOf(own), why)
	case care.TooAlike:
		return fmt.Sprintf("%d of its %d blocks of 64 KiB are the same as the version's: this is the same transfer, changed or damaged. %s", a.Shared, a.Blocks, back(e.holders(s)))
	case care.NeedsAWord:
		what := "a version is decided already"
		if set.Role == fixity.Master {
			what = "it is a master, and masters are frozen"
		}
		return fmt.Sprintf("%s. %s. If the change is really meant, say what it is: %s", what, back(copies), e.choices())
	case care.StillHeld:
		held := "the version is not lost"
		if len(a.Loss.Lacks) > 0 {
			held = "the change lost something: " + report.Loss(a.Loss) + ". The version itself is not lost"
		}
		return fmt.Sprintf("%s. %s", held, back(copies))
	case care.HeldByDiscs:
		return fmt.Sprintf("the version was burned on %s. Read that first (%s); a disc that was retired counts no longer", e.places(copies), w.To(report.Order{Act: report.CheckDisc, Disc: copies[0].Disc}))
	case care.HeldAsOther:
		return fmt.Sprintf("the version is not lost: another file under care has the same checksum, and is intact: %s. To put these bytes in the place of the damaged ones: %s", same.is, w.To(report.Order{Act: report.Recover, Findings: []int64{s.Finding.ID}, Disc: same.disc}))
	case care.CanBeMerged:
		return fmt.Sprintf("the damaged copies together hold every block of the version. Keep them all as they are, and copy nothing over them: %s", e.places(append([]ledger.Copy{own}, copies...)))
	case care.NotLookedAt:
		return fmt.Sprintf("another copy could not be looked at since the change was found: %s. Plug in or mount what is away and %s. If it can't be had any more, %s", e.places(copies), w.ToRead(copies[0].Store), say("lost-otherwise"))
	case care.NotReadWell:
		return fmt.Sprintf("another copy could not be read well: %s. Try another cable, port or drive and %s. If that is of no use, %s", e.places(copies), w.ToRead(copies[0].Store), say("lost-otherwise"))
	case care.LooksDamaged:
		return fmt.Sprintf("it looks like damage, not like an edit. %s. If you know who edited it, and you listened to it, %s", back(copies), say("edited"))
	case care.LostSomething:
		also := ""
		if len(copies) > 0 {
			also = fmt.Sprintf(" Look at the other version first: %s.", e.places(copies))
		}
		return fmt.Sprintf("the change lost something: %s.%s Keep what is there, and look for another copy. If nothing better can be had, %s", report.Loss(a.Loss), also, say("lost-otherwise"))
	}
	return string(o.Why)
}

// say is how a person says an option, as an order.
func (e Acts) say(option string) string {
	if e.Words.Option != nil {
		return e.Words.Opt(option)
	}
	return "say " + e.Words.Opt(option)
}

// choices are what a change of a master may be.
func (e Acts) choices() string {
	if e.Words.Option != nil {
		return "choose one of those that the form has"
	}
	return "--new-transfer (a better transfer), --description (the sound is the same), --lost-otherwise (nothing better can be had) or --master"
}

// holders are the other copies that hold the version.
func (e Acts) holders(s ledger.Seen) []ledger.Copy {
	return slices.DeleteFunc(others(s), func(c ledger.Copy) bool { return !e.Rules.Counts(c, s.File.Version) })
}

// mostNamed is how many places a message names.
const mostNamed = 5

// putBack says from where the version can be put back, with full paths.
func (e Acts) putBack(finding int64, own ledger.Copy, from []ledger.Copy, again string) string {
	if len(from) == 0 {
		return "No copy is known that holds the version: look for another one"
	}
	also := ""
	if len(from) > 1 {
		also = ". It is also in " + e.places(from[1:])
	}
	if rule, _ := e.Rules.Store(own.Store); from[0].Carrier != 0 || rule.Kind != archive.DiskKind {
		return fmt.Sprintf("To recover the version, move what lies there aside and keep it, then copy FROM %s TO %s, %s%s", e.PlaceOf(from[0]), ledger.DisplayPath(e.FullPath(own.Store, own.Set, own.At)), again, also)
	}
	return fmt.Sprintf("To recover the version, which is in %s: %s%s", e.PlaceOf(from[0]), e.Words.ToRecover(finding), also)
}

func (e Acts) places(copies []ledger.Copy) string {
	var out []string
	for i, c := range copies {
		if i == mostNamed {
			out = append(out, fmt.Sprintf("%d more", len(copies)-i))
			break
		}
		out = append(out, e.PlaceOf(c))
	}
	return strings.Join(out, ", ")
}
