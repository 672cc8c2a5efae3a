package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// nextOnDisc says what a person should do about a finding on a disc.
func (m Matter) nextOnDisc(f ledger.Finding) []Step {
	disc := m.disc(f.Carrier, f.Disc, f.File)
	look := fmt.Sprintf("Look at %s: never spin one that is cracked or whose layers lift. Clean it straight from the centre to the edge.", disc)
	again := Order{Act: CheckDisc, Disc: f.Disc}
	elsewhere := again
	elsewhere.Device = true
	twins := say("Read its twin next, if it has one, then discs of the same brand burned in the same month: ", Order{Act: ShowDiscs})
	sheet := text(Order{Act: BurnSheet, Disc: f.Disc}, " prints how to do it, and where each file is taken from. Keep the old disc until the new one was checked.")
	good := sure(m.donors(f))
	burn := text("burn it anew from an intact copy: ", sheet)
	switch {
	case len(good) > 0:
		d := good[0]
		burn = text(fmt.Sprintf("burn it anew from the copy on the %s, which was intact when last read, %s: ", m.on(d.copy, f.File), m.when(d.copy.Read.At)), sheet)
		if d.other != "" {
			burn = text(fmt.Sprintf("put the file right on a drive from another file with the same checksum, on the %s, and burn the disc anew: ", m.on(d.copy, f.File)), sheet)
		}
	case len(f.IntactIn) > 0:
		burn = text("have a copy of what it holds read first: ", Order{Act: ReadStore, Stores: f.IntactIn, Full: true}, ". If that is intact, burn the disc anew: ", sheet)
	}
	known := len(f.IntactIn) > 0 || len(f.Facts.SameBytes) > 0
	if f.Kind == fixity.OtherDisc {
		where := "in the cases and boxes beside its own"
		if x, ok := f.Facts.Find(fixity.DiscElse); ok && len(x.Said) > 0 {
			where = "where that disc should lie: the two may have been exchanged"
		}
		return []Step{say(fmt.Sprintf("Look at what is written on the disc that was read, and whether its case and box are its own: %s.", Told(f, nil))),
			say(fmt.Sprintf("Look for %s %s. Then: ", f.Disc, where), again)}
	}
	if f.Facts.Tells(fixity.DiscLevel) {
		return []Step{say("Look in the burning program for levelling, normalising or conversion, and turn it off before the next disc."),
			say("If the discs that were burned so may stay, decide once for all of them: ", Order{Act: DecideDisc, Disc: f.Disc, Because: "burned with levelling"}),
			say("Else ", burn)}
	}
	if x, ok := f.Facts.Find(fixity.DiscVersion); ok {
		return []Step{say(fmt.Sprintf("Nothing on it is damaged. If version %d was to be on %s: ", x.Version, disc), Order{Act: RetireDisc, Disc: f.Disc, Because: "registered with another version"},
			fmt.Sprintf(". Then register it anew, with the version behind the name of this file: %s@%d.", f.Set+"/"+Show(f.Path), x.Version)),
			say(fmt.Sprintf("If version %d was to be on it, ", x.Of), burn)}
	}
	if x, ok := f.Facts.Find(fixity.HoldsVersion); ok {
		return m.firstOnDisc(f, x.Version, burn)
	}
	switch fixity.State(f.Kind) {
	case fixity.Misplaced:
		return []Step{say("All of it is right, in another order than it is registered. If that order may stay: ", Order{Act: RetireDisc, Disc: f.Disc, Because: "registered in another order"}, ", and register it anew with the order that is on it."),
			say("Else ", burn)}
	case fixity.Missing:
		return []Step{say("Read it once more: ", again), say("If it says the same: ", burn)}
	}
	switch f.Step {
	case care.StepDrive:
		steps := []Step{say(fmt.Sprintf("Try %s in a second drive first: it may read there (", disc), elsewhere, ")."), say(look), twins}
		if known {
			return append(steps, say("If it reads in no drive: ", burn))
		}
		return append(steps, say("If it reads in no drive: look for another copy before anything is given up."))
	case care.StepBurn:
		if f.Kind == fixity.Fading {
			if !known {
				return []Step{say(fmt.Sprintf("Copy all of %s to a hard drive while it can still be read, and take that in: no other copy of it is known.", disc)), twins}
			}
			return []Step{say(fmt.Sprintf("Copy %s while it can still be read: ", disc), burn), twins}
		}
		if f.Kind == fixity.WrongDirectory {
			return []Step{say(fmt.Sprintf("Read %s in a second drive: ", disc), elsewhere), say("If it says the same: ", burn, " Until then its files can be read, by the names that the finding tells.")}
		}
		return []Step{say(look+" Then read it once more: ", again), say("If it says the same: ", burn), twins}
	}
	return []Step{say(look+" Then read it in a second drive: ", elsewhere),
		say("No intact copy is known: look for another one, among the twins first. Keep this disc.")}
}

// firstOnDisc is for a disc that holds what the first reading of a file gave, which later
// readings outvoted: they were of one drive, which may have lost it since.
func (m Matter) firstOnDisc(f ledger.Finding, first int64, burn Saying) []Step {
	steps := []Step{say(fmt.Sprintf("Keep %s as it is. It has what the first reading of the file gave, version %d. The drive that was read later may have lost that since.", m.disc(f.Carrier, f.Disc, f.File), first))}
	for _, s := range m.Rules.Stores {
		if !s.Arrivals || !s.Holds(f.Set) {
			continue
		}
		steps = append(steps, Step{Text: text("Listen to the file on the disc and to this one:"), Lines: []Line{{"OTHER", m.Where.path(s.Name, f.Set, f.Path)}}},
			Step{Text: text("If the one on the disc is right or in doubt, keep the other one outside the store, and copy the one on the disc to its place:"),
				Lines: []Line{{"ITS PLACE", m.Where.path(s.Name, f.Set, f.Path)}}, Then: text("Then ", Order{Act: ReadStore, Stores: []string{s.Name}, Run: true}, ", and decide what it asks.")})
	}
	return append(steps, say("Only if the other one is certainly right: ", burn))
}
