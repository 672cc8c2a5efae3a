package acts

import (
	"context"
	"fmt"
	"slices"
	"strings"

	"firmus/cmd/firmus/internal/shelf"
	"firmus/fixity"
	"firmus/fixity/essence/sound"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
)

// BurnSheet is what a person needs to burn a registered disc, and its twins.
func (e *Env) BurnSheet(ctx context.Context, archive, number string) (shelf.BurnSheet, error) {
	s := shelf.BurnSheet{Archive: archive, Made: e.Now().Local(), By: e.By}
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		all, err := t.Discs()
		if err != nil {
			return err
		}
		r, err := parseRef(number, prefixOf(all))
		if err != nil {
			return err
		}
		same, err := t.DiscsNumbered(r.number)
		if err != nil {
			return err
		}
		parts := 0
		for _, d := range same {
			parts = max(parts, d.Part)
		}
		same = slices.DeleteFunc(same, func(d ledger.Disc) bool {
			return r.twin != "" && d.Twin != r.twin || r.part != 0 && d.Part != r.part
		})
		if len(same) == 0 {
			_, err := findDisc(t, number)
			return err
		}
		if err := sameContents(t, same); err != nil {
			return err
		}
		d := same[0]
		s.Number, s.Part, s.Parts, s.Box, s.Kind, s.Blank = d.Number, d.Part, parts, d.Box, d.Kind, d.Blank
		for _, x := range same {
			if x.Twin != "" {
				s.Twins = append(s.Twins, x.Twin)
			}
		}
		fs, err := t.DiscFiles(d.ID)
		if err != nil {
			return err
		}
		if len(fs) == 0 {
			s.Left = append(s.Left, "No files are registered for it.")
		}
		var items []string
		for _, x := range fs {
			f, err := t.File(x.File)
			if err != nil {
				return err
			}
			if f.Item != "" && !slices.Contains(items, f.Item) {
				items = append(items, f.Item)
			}
			b, left, err := e.burnFile(t, d, f, x)
			if err != nil {
				return err
			}
			s.Files = append(s.Files, b)
			if left != "" {
				s.Left = append(s.Left, left)
			}
		}
		s.Item = strings.Join(items, ", ")
		return nil
	})
	return s, err
}

func (e *Env) burnFile(t *ledger.Tx, d ledger.Disc, f ledger.File, x ledger.DiscFile) (b shelf.BurnFile, left string, err error) {
	b = shelf.BurnFile{Name: f.Set + "/" + ledger.DisplayPath(f.Path), Version: x.Version, Bytes: -1}
	vs, err := t.Versions(f.ID)
	if err != nil {
		return b, "", err
	}
	for _, v := range vs {
		if v.N == x.Version {
			b.Bytes = v.Size
		}
	}
	copies, err := t.Copies(f.ID)
	if err != nil {
		return b, "", err
	}
	arrivals, _ := e.Rules.Arrivals(f.Set)
	for _, c := range copies {
		if c.Carrier == 0 && c.Held == x.Version && (c.State == fixity.Intact || c.State == fixity.Editing) && (b.Store == "" || c.Store == arrivals.Name) {
			b.Store, b.From = c.Store, e.Path(c.Store, f.Set, c.At)
		}
	}
	if b.Store == "" {
		left = fmt.Sprintf("No store is known to hold version %d of %s.", x.Version, b.Name)
	}
	if d.Kind != ledger.AudioDisc {
		return b, left, nil
	}
	snd, ok, err := soundAt(t, f.ID, x.Version)
	if ok {
		b.Samples, b.Rate = snd.Frames, int(snd.Rate)
		b.Format = formatOf(snd)
	}
	return b, left, err
}

// formatOf is how a file is recorded, "" where it can go onto an audio disc as it is.
func formatOf(s sound.Sound) string {
	if layoutFits(s) {
		return ""
	}
	ch := fmt.Sprintf("%d channels", s.Channels)
	switch s.Channels {
	case 1:
		ch = "mono"
	case 2:
		ch = "stereo"
	}
	return fmt.Sprintf("%g kHz, %d bit, %s", s.Rate/1000, s.Bits, ch)
}

// CheckSheet is the sheet of a check, to print and to keep with the disc.
func (e *Env) CheckSheet(ctx context.Context, archive string, c CheckedDisc) (shelf.CheckSheet, error) {
	r, k := c.Report, c.Check
	s := shelf.CheckSheet{
		Archive: archive, Written: k.Written, WrittenBy: k.By, Number: c.Disc.Number, Part: c.Disc.Part, Box: c.Disc.Box, Swap: swapName(c),
		Kind: c.About.Kind, Medium: c.About.Medium, Blank: c.Disc.Blank, Burned: c.Disc.Burned,
		Verdict: shelf.Verdict(k.Verdict), Problems: slices.Concat(c.About.Problems, r.Problems), Extra: r.Extra, Together: c.Together,
		Sectors: r.Sectors, AtOnce: r.AtOnce, Retried: r.Retried, Doubtful: r.Doubtful, Unreadable: r.Unreadable, Untried: r.Untried,
		Structure: r.Structure, Free: r.Free, LeadOut: c.About.LeadOut, Drive: c.About.Drive, Speed: r.Speed,
		Begun: k.Began.Local(), Ended: k.Ended.Local(), By: k.By, Event: k.Event,
	}
	if len(r.Directory) > 0 {
		s.Directory = directoryIs(r)
	}
	if seen := strings.ToLower(k.Looked); seen != "" {
		s.Looked = shelf.Looked{NoCracks: strings.Contains(seen, "no crack"), NoLiftingEdge: strings.Contains(seen, "no lifting"),
			Scratches: strings.Contains(seen, "scratch") && !strings.Contains(seen, "no scratch"), By: k.By}
	}
	switch {
	case c.About.Open:
		s.Closed = shelf.No
	case c.About.Closed:
		s.Closed = shelf.Yes
	}
	if c.Disc.Twin != "" {
		s.Number += " " + c.Disc.Twin
	}
	if provesDisc(k.Verdict) {
		s.Proved = e.provedBy(c)
	} else if len(c.Proved) > 0 {
		s.Proved = names(c.Proved)
	}
	for _, t := range c.Twins {
		s.Alike = append(s.Alike, t.Disc.Name())
		sib := shelf.Sibling{Number: t.Disc.Name()}
		if t.Check != nil {
			sib.Checked, sib.Verdict = t.Check.Ended.Local(), shelf.Verdict(t.Check.Verdict)
		}
		s.Twins = append(s.Twins, sib)
	}
	for _, t := range r.Runs {
		s.Runs = append(s.Runs, shelf.Run{LBA: t.LBA, Count: t.Count, State: runState(t)})
		if t.State == "read" || t.State == "read-twice" {
			s.MostTries = max(s.MostTries, t.Tries)
		}
	}
	s.TriesAt, s.UnreadableAt, s.DifferingAt = places(r.RetriedAt), places(r.UnreadableAt), places(r.DifferingAt)
	if h := r.Sound; h != nil {
		s.Way = shelf.Way{Located: h.Located, Shift: h.Offset, Unchanged: h.Located && !h.Changed, GainDB: h.GainDB, SpreadDB: h.SpreadDB, Inverted: h.Inverted,
			EdgeStart: h.EdgeStart, EdgeEnd: h.EdgeEnd, Slips: h.Slips}
		if c.Decision != nil {
			s.Way.Decision, s.Way.DecidedBy, s.Way.DecidedAt = c.Decision.Reason, c.Decision.By, c.Decision.At.Local()
		}
	}
	if c.Control != nil {
		s.Control = shelf.Control{Number: c.Control.Disc.Name(), At: c.Control.Check.Ended.Local(), Retried: c.Control.Check.Retried, Bad: c.Control.Check.Unreadable + c.Control.Check.Doubtful}
	}
	for _, b := range slices.Backward(c.Before) {
		s.Before = append(s.Before, shelf.Before{At: b.Ended.Local(), Verdict: shelf.Verdict(b.Verdict), Retried: b.Retried, Unreadable: b.Unreadable,
			SameDrive: b.Drive == k.Drive && b.Speed == k.Speed})
	}
	for _, n := range c.Next {
		if n.Why == isTwin {
			continue // the sheet says so by itself
		}
		s.Next = append(s.Next, fmt.Sprintf("Read %s: %s.", n.Disc.Name(), n.Why))
	}
	for _, b := range c.Bring {
		if rule, _ := e.Rules.Store(b); rule.Kind == cloudKind {
			s.Next = append(s.Next, fmt.Sprintf("Copy what was burned from %s back to a hard drive and audit that: firmus disc sheet %s names the place of each file. Then check the disc again.", b, c.Disc.Number))
			continue
		}
		s.Next = append(s.Next, fmt.Sprintf("Bring the store %s and check the disc again: it holds what was burned.", b))
	}
	for _, f := range c.Findings {
		s.Findings = append(s.Findings, f.ID)
	}
	if c.Good() && k.Verdict != fixity.DiscBaseline {
		s.LookAgain = k.Ended.Local().AddDate(1, 0, 0)
	}
	if c.Disc.Baseline != nil && len(c.Files) == 0 || k.Verdict == fixity.DiscBaseline {
		s.Baseline = k.Ended.Local()
		for _, b := range c.Before {
			if b.Verdict == fixity.DiscBaseline {
				s.Baseline = b.Ended.Local()
				break
			}
		}
	}
	err := e.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, f := range c.Files {
			x, err := e.checkFile(t, c, f)
			if err != nil {
				return err
			}
			s.Files = append(s.Files, x)
		}
		if c.About.Kind != ledger.AudioDisc {
			return nil
		}
		var err error
		if s.Way.Located {
			if s.Way.Pauses, s.Way.PausesKnown, err = pausesOf(t, c); err != nil {
				return err
			}
		}
		s.Master, err = e.finerMaster(t, c)
		return err
	})
	return s, err
}

func (e *Env) checkFile(t *ledger.Tx, c CheckedDisc, f CheckedFile) (shelf.CheckFile, error) {
	x := shelf.CheckFile{Name: f.Set + "/" + ledger.DisplayPath(f.Path), Version: f.Version, Store: f.Store, State: f.State, Track: f.Track, Why: f.Why, Rotten: f.Rotten}
	if f.At != f.Name {
		x.At = f.At
	}
	switch {
	case f.State == "":
	case f.Weaker:
		x.Evidence = shelf.Likeness
	case c.Disc.Kind == ledger.AudioDisc:
		x.Evidence = shelf.Samples
	default:
		x.Evidence = shelf.Bytes
	}
	vs, err := t.Versions(f.File)
	if err != nil {
		return x, err
	}
	for _, v := range vs {
		if v.N == f.Version && v.N > 1 {
			x.SignedOff = v.At.Local()
		}
	}
	if c.Disc.Kind != ledger.AudioDisc {
		return x, nil
	}
	layout, ok, err := soundAt(t, f.File, f.Version)
	if ok {
		x.Format = formatOf(layout)
	}
	return x, err
}

// provedBy says in words what a disc's contents show.
func (e *Env) provedBy(c CheckedDisc) string {
	var items []string
	version, same, role := int64(0), true, fixity.Role("")
	for _, f := range c.Files {
		set, _ := e.Rules.Set(f.Set)
		if it := set.ItemOf(f.Path); it != "" && !slices.Contains(items, it) {
			items = append(items, it)
		}
		if version != 0 && version != f.Version || role != "" && role != set.Role {
			same = false
		}
		version, role = f.Version, set.Role
	}
	if len(items) > 3 {
		items = append(items[:3], "and others")
	}
	s := strings.Join(items, ", ")
	if same && version > 0 {
		s += fmt.Sprintf(", %s version %d", role, version)
	}
	if c.About.Kind == ledger.AudioDisc {
		return fmt.Sprintf("%s, %d disc tracks", s, len(c.About.Tracks))
	}
	if len(c.Files) == 1 {
		return s + ", 1 file"
	}
	return fmt.Sprintf("%s, %d files", s, len(c.Files))
}

// swapName is the disc that this one seems to be, if another than was said.
func swapName(c CheckedDisc) string {
	if c.Swap == "" {
		return ""
	}
	return names(c.Proved)
}

func places(ps []DiscPlace) []shelf.Place {
	var out []shelf.Place
	for _, p := range ps {
		out = append(out, shelf.Place{LBA: p.LBA, Count: p.Count, Track: p.Track, Time: p.Time, Of: p.Paths, Structure: p.Structure})
	}
	return out
}

func runState(r DiscRun) shelf.RunState {
	switch r.State {
	case "outside":
		return shelf.Outside
	case "read", "read-twice":
		if r.Tries > 1 && !(r.State == "read-twice" && r.Tries == 2) {
			return shelf.RunRetried
		}
		return shelf.RunAtOnce
	case "doubtful":
		return shelf.RunDoubtful
	case "unreadable":
		return shelf.RunUnreadable
	}
	return shelf.RunUntried
}

// LooksWorn says that a disc's tries have grown within one drive and speed, though not
// so that it is a finding yet.
func LooksWorn(first, last *ledger.DiscCheck) bool {
	return first != nil && last != nil && last.Drive != "" && last.Retried > 2*first.Retried && !policy.FewRetries(last.Retried, last.Sectors)
}
