package demo

import (
	"errors"
	"fmt"
	"os"
	"time"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// ErrNotOurs says that a file isn't, byte for byte, one that Make wrote. Nobody's
// recordings are damaged by mistake.
var ErrNotOurs = errors.New("not as the demo made it")

// Planted is a fault that was made on purpose, with what an audit of all stores
// must say of it.
type Planted struct {
	Store, Set, Path string
	FoundAt          string // misplaced: where the bytes lie
	Subject          fixity.Subject
	Kind             fixity.Kind
	Anatomy          fixity.Anatomy
	Urgency          fixity.Urgency
	Story            string // what happened, for a person
	Advice           string // what to do about it
}

// fault is a Planted that is still to be made.
type fault struct {
	Planted
	do func(h *hand, p Planted) error
}

// Kinds as findings have them.
const (
	altered    = fixity.Kind(fixity.Altered)
	missing    = fixity.Kind(fixity.Missing)
	misplaced  = fixity.Kind(fixity.Misplaced)
	unexpected = fixity.Kind(fixity.Unexpected)
)

const (
	fromVault    = "Keep the damaged file for now, and put the vault's copy in its place."
	fromStudio   = "Keep the damaged file for now, and put the studio's copy in its place."
	exchangeBack = "Nothing is damaged: exchange the two names back, or sign both off if they are right now."
	noCopy       = "Touch neither copy. Each is good where the other is bad; look for a third one first, on a disc or with whoever was given one."
)

// Two pieces of a reel that exchange their names.
const (
	swappedA = "QV-0113/QV-0113_A_01.wav"
	swappedB = "QV-0113/QV-0113_B_01.wav"
)

// block is the length in bytes of what one block sum covers. What a drive loses is
// whole blocks here: from block sums alone, a stretch of zeros inside two of them
// could not be told from other bytes.
const block = digest.BlockSize

// faults are all that are planted, no two in one file of one store. Some are silent
// (neither time nor size has changed, so only reading shows them), others were left
// behind by a hand or a program.
var faults = []fault{
	{Planted{studio, masters, "QV-0103/QV-0103_A.wav", "", fixity.OfFile, altered, fixity.Zeroed, fixity.AtRisk,
		"the drive lost a piece in the middle and gives zeros instead; size and date are as before", fromVault},
		zero(5, 1)},
	{Planted{studio, access, "QV-0101/QV-0101_A_02.wav", "", fixity.OfFile, altered, fixity.Replaced, fixity.AtRisk,
		"an editor saved over it, long after it was finished", "If the new cut is wanted, sign it off. If not, put the vault's copy in its place."},
		saveOver(700)},
	{Planted{vault, masters, "QV-0105/QV-0105_A.wav", "", fixity.OfFile, altered, fixity.Flipped, fixity.AtRisk,
		"a single bit has turned; size and date are as before", fromStudio},
		flip(300_007, 4)},
	{Planted{vault, masters, "QV-0108/QV-0108_B.wav", "", fixity.OfFile, altered, fixity.CutShort, fixity.AtRisk,
		"it was copied to the drive once more, and the plug was pulled before the end", fromStudio},
		cut(5*block + 12_345)},
	{Planted{vault, access, "QV-0103/QV-0103_A_01.wav", "", fixity.OfFile, altered, fixity.Grown, fixity.AtRisk,
		"a player hung its own tag on the end", fromStudio},
		hang(tag)},
	{Planted{vault, masters, "QV-0109/QV-0109_A.wav", "", fixity.OfFile, missing, "", fixity.AtRisk,
		"somebody who made room on the drive deleted it", "Copy it from the studio to the vault again."},
		remove},
	{Planted{studio, access, "QV-0112/QV-0112_A_01.wav", "QV-0112/QV-0112_A_01 final NEW.wav", fixity.OfFile, misplaced, "", fixity.Tidy,
		"somebody gave it another name", "Give it its name back, or accept the new one."},
		move},
	{Planted{vault, masters, "QV-0110/QV-0110_B.wav", "QV-0111/QV-0110_B.wav", fixity.OfFile, misplaced, "", fixity.Tidy,
		"a slip of the mouse dropped it into the folder below", "Move it back."},
		move},
	{Planted{vault, access, "QV-0107/Copy of QV-0107_A_01.wav", "", fixity.OfStray, unexpected, "", fixity.Tidy,
		"a file manager made a copy that nobody asked for", "Take it out of the vault, or leave it in peace."},
		copyFrom("QV-0107/QV-0107_A_01.wav")},
	{Planted{studio, masters, "QV-0107/QV-0107_A.wav", "", fixity.OfFile, altered, fixity.Zeroed, fixity.NoneIntact,
		"the drive lost three pieces in a row and gives zeros instead", noCopy},
		zero(2, 3)},
	{Planted{vault, masters, "QV-0107/QV-0107_A.wav", "", fixity.OfFile, altered, fixity.Flipped, fixity.NoneIntact,
		"a bit has turned in the only other copy, at another place", noCopy},
		flip(6*block+901, 0)},
	{Planted{vault, access, "QV-0104/QV-0104_A_02 sung at 70% speed, take #2 (Josiah's own).wav", "", fixity.OfFile, altered, fixity.Zeroed, fixity.AtRisk,
		"it was copied to the drive once more, which was switched off too soon; length and date are right, but most of it is zeros", fromStudio},
		zeroFrom(1)},
	{Planted{vault, masters, "QV-0113/QV-0113_A.wav", "", fixity.OfFile, altered, fixity.Replaced, fixity.AtRisk,
		"the other side of the reel was copied over it under its name", fromStudio},
		copyFrom("QV-0113/QV-0113_B.wav")},
	{Planted{studio, access, "QV-0114/QV-0114_A_02.wav", "", fixity.OfFile, missing, "", fixity.AtRisk,
		"it was deleted with a heap of drafts", "If that was on purpose, sign it off and it is retired. If not, copy it back from the vault."},
		remove},
	{Planted{studio, masters, "QV-0106/QV-0106_A.wav", "", fixity.OfFile, altered, fixity.Grown, fixity.AtRisk,
		"an editor that was only meant to play it wrote its marks behind the sound", fromVault},
		hang(marks)},
	{Planted{studio, access, swappedA, "", fixity.OfFile, altered, fixity.Replaced, fixity.AtRisk,
		"somebody who renamed the pieces of a reel exchanged the names of two", exchangeBack},
		swap(swappedB)},
	{Planted{studio, access, swappedB, "", fixity.OfFile, altered, fixity.Replaced, fixity.AtRisk,
		"its name was exchanged with the other's", exchangeBack},
		func(*hand, Planted) error { return nil }}, // done with the first
	{Planted{studio, masters, "QV-0102/manifest-sha256.txt", "", fixity.OfManifest, altered, "", fixity.Tidy,
		"somebody changed the checksum list by hand", "Move the changed list aside; the next intake or audit writes it anew."},
		misspell},
}

// Plant damages copies in the folder that Make wrote, the same way each time. The
// manifest of one reel is damaged too if intake has written it by now. What a
// person or a program did bears the time now; what went silently kept its time.
//
// Before anything is touched, every file to be damaged is compared with what Make
// writes; if one differs the error wraps ErrNotOurs, so nothing can be planted
// twice. After another error some of the faults are planted: those that are
// returned.
func Plant(dir string, now time.Time) ([]Planted, error) {
	h, err := openHand(dir, now)
	if err != nil {
		return nil, fmt.Errorf("plant faults: %w", err)
	}
	defer h.close()
	var todo []fault
	for _, f := range faults {
		ok, err := h.ready(f.Planted)
		if err != nil {
			return nil, fmt.Errorf("plant faults: %w", err)
		}
		if ok {
			todo = append(todo, f)
		}
	}
	var done []Planted
	for _, f := range todo {
		if err := f.do(h, f.Planted); err != nil {
			return done, fmt.Errorf("plant a fault in %s/%s/%s: %w", f.Store, f.Set, f.Path, err)
		}
		done = append(done, f.Planted)
	}
	return done, nil
}

// ready says whether a fault can be planted; an error if something is there that
// isn't the demo's.
func (h *hand) ready(p Planted) (bool, error) {
	switch {
	case p.Subject == fixity.OfManifest:
		_, err := h.root.Lstat(h.at(p.Store, p.Set, p.Path))
		if errors.Is(err, os.ErrNotExist) {
			return false, nil
		}
		return err == nil, err
	case p.Subject == fixity.OfStray:
		return true, h.vacant(p.Store, p.Set, p.Path)
	case p.FoundAt != "":
		if err := h.vacant(p.Store, p.Set, p.FoundAt); err != nil {
			return false, err
		}
	}
	return true, h.ours(p.Store, p.Set, p.Path)
}
