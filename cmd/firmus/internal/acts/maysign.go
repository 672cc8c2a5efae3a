package acts

import (
	"context"
	"errors"
	"fmt"
	"strings"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// toSign is what was read of a file that is to be signed off.
type toSign struct {
	audit.Taken
	sound ledger.Sound
	keep  bool // the present version is kept: nothing was read
}

// meant is what the order means by a sign-off; only one of its words may be said.
func (o SignOffOrder) meant() (policy.Meant, error) {
	out := policy.MeantPlain
	for _, x := range []struct {
		said  bool
		meant policy.Meant
	}{
		{o.Master, policy.MeantMaster}, {o.LostOtherwise, policy.MeantLost}, {o.NewTransfer, policy.MeantNewTransfer},
		{o.Description, policy.MeantDescription}, {o.KeepCurrent, policy.MeantKeep},
	} {
		if !x.said {
			continue
		}
		if out != policy.MeantPlain {
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

// look reads the change that a finding tells of and asks whether it may be signed off.
func (e *Env) look(ctx context.Context, s ledger.Seen, m policy.Meant) (toSign, error) {
	own, ok := ownCopy(s)
	if !ok {
		return toSign{}, e.refuse(s.Finding, fmt.Sprintf("no copy of the file is expected in %s any more", s.Finding.Store))
	}
	a := e.asked(s, own, m)
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		_, err := t.UnfinishedOf(s.File.ID)
		a.Unfinished = err == nil
		if errors.Is(err, fixity.ErrNotFound) {
			return nil
		}
		return err
	}); err != nil {
		return toSign{}, err
	}
	if m == policy.MeantKeep {
		o := policy.MaySignOff(a)
		if o.Why != policy.NoObjection {
			return toSign{}, e.refuse(s.Finding, e.objection(s, own, o, a))
		}
		return toSign{keep: true}, nil
	}
	if o := policy.MaySignOff(a.Unread()); o.Why != policy.NoObjection {
		return toSign{}, e.refuse(s.Finding, e.objection(s, own, o, a)) // before a long reading
	}
	var x toSign
	var err error
	if x.Taken, x.sound, err = e.takeHearing(ctx, own.Store, own.Set, own.At, fixity.Bypassed, intakeDigests...); err != nil {
		return x, fmt.Errorf("finding %d: read %s before signing it off: %w", s.Finding.ID, e.placeOf(own), err)
	}
	if err := e.askOfBytes(ctx, s, x, &a); err != nil {
		return x, fmt.Errorf("finding %d: %s: %w", s.Finding.ID, e.placeOf(own), err)
	}
	if o := policy.MaySignOff(a); o.Why != policy.NoObjection {
		return x, e.refuse(s.Finding, e.objection(s, own, o, a))
	}
	return x, nil
}

func ownCopy(s ledger.Seen) (ledger.Copy, bool) {
	for _, c := range s.Copies {
		if c.Store == s.Finding.Store && c.Carrier == s.Finding.Carrier {
			return c, true
		}
	}
	return ledger.Copy{}, false
}

// others are the copies besides that of the finding, in the order of policy.Asked.
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
func (e *Env) asked(s ledger.Seen, own ledger.Copy, m policy.Meant) policy.Asked {
	f := s.File
	set, _ := e.Rules.Set(f.Set)
	rule, _ := e.Rules.Store(own.Store)
	a := policy.Asked{Meant: m, Kind: fixity.State(s.Finding.Kind), Role: set.Role, Arrivals: rule.Arrivals, Version: f.Version > 0, Mergeable: s.Finding.Mergeable}
	holding := map[string]bool{}
	for _, c := range others(s) {
		x := policy.Another{State: c.State, Looked: true}
		current := f.Version > 0 && (c.Carrier == 0 || c.Burned == f.Version)
		x.Holds = current && !c.Lesser && c.Held == f.Version && policy.HoldsVersion(c.State)
		x.Disc = current && c.Carrier != 0 && (c.State == fixity.Intact || c.State == fixity.Awaited)
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
func (e *Env) askOfBytes(ctx context.Context, s ledger.Seen, x toSign, a *policy.Asked) error {
	f := s.File
	set, _ := e.Rules.Set(f.Set)
	now, _, err := x.sound.Transfer(set.Role, f.Path, x.Sums.Size)
	if err != nil {
		return err
	}
	a.Whole = now.Sound.Format != sound.Opaque && sound.Judge(now.Notes) == sound.Whole && len(policy.Unfinished(now)) == 0
	if f.Version == 0 {
		a.Loss = policy.Loss{Lacks: policy.Unfinished(now)}
		return nil
	}
	var version ledger.Sound
	if err := e.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		if a.Loss, err = t.Lost(f, f.Version, x.Sums.Size, &x.sound); err != nil {
			return err
		}
		if a.Blocks, a.Shared, err = t.Shared(f.ID, f.Version, x.Sums); err != nil {
			return err
		}
		version, err = t.Sound(f.ID, f.Version)
		return err
	}); err != nil || a.Meant != policy.MeantDescription {
		return err
	}
	was, known := recorded(version)
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
func (e *Env) refuse(f ledger.Finding, why string) error {
	return fmt.Errorf("finding %d (%s, %s in %s) can't be signed off: %s: %w", f.ID, f.Kind, ledger.DisplayPath(f.Path), f.Store, why, fixity.ErrRefused)
}

// objection says in words why a change can't be signed off, and what can be done.
func (e *Env) objection(s ledger.Seen, own ledger.Copy, o policy.Objected, a policy.Asked) string {
	set, _ := e.Rules.Set(s.File.Set)
	all := others(s)
	var copies []ledger.Copy
	for _, i := range o.Copies {
		copies = append(copies, all[i])
	}
	again := fmt.Sprintf("then run: firmus audit %s (step by step: firmus findings show %d)", own.Store, s.Finding.ID)
	back := func(from []ledger.Copy) string {
		if a.Unfinished {
			return fmt.Sprintf("The version under care isn't a whole recording, so copy it over nothing. If what lies at %s is the whole one, say --new-transfer", e.placeOf(own))
		}
		return e.putBack(own, from, again)
	}
	switch o.Why {
	case policy.NotHere:
		arrivals, _ := e.Rules.Arrivals(s.File.Set)
		return fmt.Sprintf("a change is accepted in %s, where files arrive; recover the version here instead. What to copy or move, from where to where: firmus findings show %d", arrivals.Name, s.Finding.ID)
	case policy.NoDispute:
		return "there is no dispute: one version is known. Put that back, or say what is meant by the change"
	case policy.SoundDiffers:
		return "its samples aren't those of the version, or can't be told, so it isn't only its description that changed"
	case policy.NotWhole:
		why := ledger.Words(a.Loss)
		if why == "" {
			why = "its headers don't say so, or it is of no kind that is taken apart here"
		}
		return fmt.Sprintf("%s can't be shown to be a whole sound file, so it is no better transfer: %s", e.placeOf(own), why)
	case policy.TooAlike:
		return fmt.Sprintf("%d of its %d blocks of 64 KiB are the same as the version's: this is the same transfer, changed or damaged. %s", a.Shared, a.Blocks, back(holders(s)))
	case policy.NeedsAWord:
		what := "a version is decided already"
		if set.Role == fixity.Master {
			what = "it is a master, and masters are frozen"
		}
		return fmt.Sprintf("%s. %s. If the change is really meant, say what it is: --new-transfer (a better transfer), --description (the sound is the same), --lost-otherwise (nothing better can be had) or --master", what, back(copies))
	case policy.StillHeld:
		lost := ""
		if len(a.Loss.Lacks) > 0 {
			lost = "the change lost something: " + ledger.Words(a.Loss) + ". "
		}
		return fmt.Sprintf("%sthe version is not lost. %s", lost, back(copies))
	case policy.OnDisc:
		return fmt.Sprintf("the version was burned on %s. Read that first (firmus disc check); a disc that was retired counts no longer", e.places(copies))
	case policy.CanBeMerged:
		return fmt.Sprintf("the damaged copies together hold every block of the version. Keep them all as they are, and copy nothing over them: %s", e.places(append([]ledger.Copy{own}, copies...)))
	case policy.NotLookedAt:
		return fmt.Sprintf("another copy could not be looked at since the change was found: %s. Plug in or mount what is away and run: firmus audit %s. If it can't be had any more, say --lost-otherwise", e.places(copies), copies[0].Store)
	case policy.NotReadWell:
		return fmt.Sprintf("another copy could not be read well: %s. Try another cable, port or drive and run: firmus audit %s. If that is of no use, say --lost-otherwise", e.places(copies), copies[0].Store)
	case policy.LostSomething:
		also := ""
		if len(copies) > 0 {
			also = fmt.Sprintf(" Look at the other version first: %s.", e.places(copies))
		}
		return fmt.Sprintf("the change lost something: %s.%s Keep what is there, and look for another copy. If nothing better can be had, say --lost-otherwise", ledger.Words(a.Loss), also)
	}
	return string(o.Why)
}

// holders are the other copies that hold the version.
func holders(s ledger.Seen) []ledger.Copy {
	var out []ledger.Copy
	for _, c := range others(s) {
		if s.File.Version > 0 && !c.Lesser && c.Held == s.File.Version && policy.HoldsVersion(c.State) {
			out = append(out, c)
		}
	}
	return out
}

// mostNamed is how many places a message names.
const mostNamed = 5

// putBack says from where the version can be put back, with full paths.
func (e *Env) putBack(own ledger.Copy, from []ledger.Copy, again string) string {
	if len(from) == 0 {
		return "No copy is known that holds the version: look for another one"
	}
	good := e.fullPath(from[0].Store, from[0].Set, from[0].At)
	if from[0].Carrier != 0 {
		good = e.placeOf(from[0])
	}
	also := ""
	if len(from) > 1 {
		also = ". It is also in " + e.places(from[1:])
	}
	return fmt.Sprintf("To recover the version, move what lies there aside and keep it, then copy FROM %s TO %s, %s%s", ledger.DisplayPath(good), ledger.DisplayPath(e.fullPath(own.Store, own.Set, own.At)), again, also)
}

func (e *Env) places(copies []ledger.Copy) string {
	var out []string
	for i, c := range copies {
		if i == mostNamed {
			out = append(out, fmt.Sprintf("%d more", len(copies)-i))
			break
		}
		out = append(out, e.placeOf(c))
	}
	return strings.Join(out, ", ")
}
