package recovering

import (
	"context"
	"errors"
	"fmt"
	"path"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// planRecovery says what would be done.
func (a Acts) planRecovery(ctx context.Context, o Order) (Result, error) {
	if err := a.NoteStores(ctx); err != nil {
		return Result{}, err
	}
	rules, err := a.RulesNow(ctx)
	if err != nil {
		return Result{}, err
	}
	return a.planWith(ctx, o, rules)
}

// Plan says what an order would do, from what the ledger knows alone: no store is looked
// at, and nothing is written. It is for a page that shows the plan beside its form.
func (a Acts) Plan(ctx context.Context, o Order) (Result, error) {
	rules := a.Rules
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { rules, err = t.Stores.Rules(); return err }); err != nil {
		return Result{}, err
	}
	o.DryRun = true
	return a.planWith(ctx, o, rules)
}

func (a Acts) planWith(ctx context.Context, o Order, rules care.Rules) (res Result, err error) {
	res = Result{Items: []Item{}, InStep: []string{}, DryRun: o.DryRun}
	var onDisc map[int64]int64
	if _, ok := a.Rules.Store(o.From); o.From != "" && !ok {
		if res.disc, onDisc, err = a.Carriers.Named(ctx, o.From); errors.Is(err, fixity.ErrNotFound) {
			return res, fmt.Errorf("no disc is named so, and %w", a.noStore(o.From))
		} else if err != nil {
			return res, err
		}
		o.From = ""
	}
	parts, err := a.parts()
	if err != nil {
		return res, err
	}
	var subjects []ledger.Seen
	if o.Store != "" {
		subjects, err = a.notWhole(ctx, o.Store)
	} else {
		subjects, err = a.OpenFindings(ctx, o.Findings, o.Incident, o.Saw, o.SawAll)
	}
	if err != nil {
		return res, err
	}
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		incidents, err := t.Incidents.InStores()
		if err != nil {
			return err
		}
		failing := func(store string) bool { return slices.Contains(incidents[store], string(fixity.Unreadable)) }
		wrong := func(store string) bool {
			return slices.ContainsFunc(incidents[store], func(kind string) bool { return kind != string(fixity.Unreadable) })
		}
		takes := pacing{t: t}
		for _, s := range subjects {
			x := Item{parts: partsOf(parts, s.File)}
			same, err := t.Copies.SameBytes(s.File.ID, s.File.Version)
			if err != nil {
				return err
			}
			n, on := onDisc[s.File.ID]
			if on = on && n == s.File.Version; on {
				x.onDisc = s.File.ID
			}
			for _, d := range same {
				if n, ok := onDisc[d.File]; ok && n == d.Held && d.Carrier != 0 && !on {
					on, x.onDisc = true, d.File
				}
			}
			if err := a.planOne(t, s, &x, repair.Case{Rules: rules, Same: same, From: o.From, One: o.Store == "", Disc: res.disc, OnDisc: on, Parts: len(x.parts),
				Upload: o.Upload != nil, Failing: failing, Incident: wrong}); err != nil {
				return err
			}
			if x.State == Planned {
				if x.Way != repair.MoveBack {
					res.Bytes += x.version.Size
					if err := takes.add(x); err != nil {
						return err
					}
				}
				for _, name := range x.plan.InStep {
					if !slices.Contains(res.InStep, name) {
						res.InStep = append(res.InStep, name)
					}
				}
			}
			res.Items = append(res.Items, x)
		}
		res.Takes = takes.sum()
		return nil
	})
	return res, err
}

// pacing reckons how long a plan takes from how fast the stores were read lately.
type pacing struct {
	t       *ledger.Tx
	took    time.Duration
	unknown bool
	paces   map[string]ledger.Pace
}

// add takes a file that is read at its donor, and twice where it is put: beside its place,
// and there.
func (p *pacing) add(x Item) error {
	read := map[string]int64{x.Store: 2 * x.version.Size}
	if len(x.plan.Donors) > 0 {
		read[x.plan.Donors[0].Store] += x.version.Size
	} else {
		p.unknown = true // several are joined, or a disc is read
	}
	for store, bytes := range read {
		pace, ok := p.paces[store]
		if !ok {
			var err error
			if pace, err = p.t.Clock.Pace(store); err != nil {
				return err
			}
			if p.paces == nil {
				p.paces = map[string]ledger.Pace{}
			}
			p.paces[store] = pace
		}
		if pace.Took <= 0 || pace.Bytes <= 0 {
			p.unknown = true
			continue
		}
		p.took += time.Duration(float64(bytes) / float64(pace.Bytes) * float64(pace.Took))
	}
	return nil
}

func (p *pacing) sum() time.Duration {
	if p.unknown {
		return 0
	}
	return p.took
}

func (a Acts) noStore(name string) error {
	return fmt.Errorf("no store is named %q. The stores are: %s: %w", name, strings.Join(a.Rules.StoreNames(), ", "), fixity.ErrNotFound)
}

// notWhole are the copies in a store that may be put right, each with its finding if one
// is open.
func (a Acts) notWhole(ctx context.Context, store string) (out []ledger.Seen, err error) {
	if _, ok := a.Rules.Store(store); !ok {
		return nil, a.noStore(store)
	}
	err = a.Ledger.View(ctx, func(t *ledger.Tx) error {
		copies, err := t.Copies.NotWhole(store)
		if err != nil {
			return err
		}
		for _, c := range copies {
			s, err := t.SeeFile(c.File)
			if err != nil {
				return err
			}
			fs, err := t.Findings.Of(c.File)
			if err != nil {
				return err
			}
			i := slices.IndexFunc(fs, func(f ledger.Finding) bool {
				return f.Open() && f.Store == store && f.Carrier == 0 && f.Subject == fixity.OfFile && f.Kind == fixity.Kind(c.State)
			})
			switch {
			case i >= 0:
				if s, err = t.SeeFinding(fs[i].ID); err != nil {
					return err
				}
			case c.SettledAs != "" && c.SettledAs == c.Condition():
				continue // a person said that it stays as it is
			default:
				s.Finding.Store = store
			}
			out = append(out, s)
		}
		return nil
	})
	return out, err
}

// planOne says what would be done about one copy.
func (a Acts) planOne(t *ledger.Tx, s ledger.Seen, x *Item, c repair.Case) error {
	f := s.Finding
	x.Finding, x.Store, x.Set, x.Path, x.seen, x.State = f.ID, f.Store, f.Set, ledger.DisplayPath(f.Path), s, Refused
	own, ok := archive.OwnCopy(s)
	if f.ID != 0 && (f.Subject != fixity.OfFile || f.Kind == fixity.Unfinished || s.File.ID == 0) || !ok {
		x.Why = report.NotRecovered("", f.Finding, a.Words.Order)
		return nil
	}
	x.Set, x.Path, x.copy, x.place = own.Set, ledger.DisplayPath(s.File.Path), own, own.At
	if !s.File.Retired.IsZero() {
		x.Why = "it was retired: it is expected nowhere any more"
		return nil
	}
	var err error
	if c.Found, err = acts.FoundAt(t, s.File.ID); err != nil {
		return err
	}
	c.Copy, c.Copies, c.Current = own, s.Copies, s.File.Version
	x.plan = repair.For(c)
	if why := x.plan.Refused; why != "" {
		x.Why = report.NotRecovered(why, f.Finding, a.Words.Order)
		if why == repair.OpenIncident {
			x.MayName = f.IntactIn
		}
		if why == repair.OnDisc && f.Disc != "" {
			x.Why = fmt.Sprintf("what is on a disc stays there. If it reads in no drive, burn it anew; %s says how, and from which copies. Check the new disc as that one, and this finding ends: %s",
				a.Words.To(report.Order{Act: report.BurnSheet, Disc: f.Disc}), a.Words.To(report.Order{Act: report.CheckDisc, Disc: f.Disc}))
		}
		if why == repair.NoDonor || why == repair.DonorNotWhole {
			x.State = NoDonor
			if ds := discsOf(s, c.Same); c.From == "" && c.Disc == "" && len(ds) > 0 {
				x.MayName = ds
				x.Why = fmt.Sprintf("no copy in a store is known to be whole. It was burned on %s: put a disc in the drive, and name it, such as %s", fixity.And(ds), a.Words.OptIs("from", strconv.Quote(ds[0])))
			}
		}
		return nil
	}
	if x.version, err = t.Files.Version(s.File.ID, s.File.Version); err != nil {
		return err
	}
	x.State, x.Way, x.OneVolume = Planned, x.plan.Way, x.plan.OneVolume
	x.To = Shown{Store: own.Store, Path: a.Path(own.Store, own.Set, own.At), Size: own.Size, Time: timeOf(own)}
	if x.Way == repair.MoveBack {
		x.foundAt = f.FoundAt
		to := own.At
		if own.State == fixity.Behind {
			x.foundAt, to = own.At, s.File.Path
		}
		if x.foundAt == "" {
			x.State, x.Why = NotDone, fmt.Sprintf("where it lies isn't known any more. First %s", a.Words.ToRead(own.Store))
			return nil
		}
		x.place = to
		// Only the file that was seen there is moved.
		x.found = fixity.Entry{Size: own.Size, ModTime: timeOf(own)}
		switch lies, err := t.Strays.At(own.Store, own.Set, x.foundAt); {
		case err == nil:
			x.found = fixity.Entry{Size: lies.Size, ModTime: time.Unix(0, lies.ModTime).UTC()}
		case !errors.Is(err, fixity.ErrNotFound):
			return err
		}
		x.From = Shown{Store: own.Store, Path: a.Path(own.Store, own.Set, x.foundAt), Size: own.Size, Time: timeOf(own)}
		x.To = Shown{Store: own.Store, Path: a.Path(own.Store, own.Set, to), Size: -1}
		switch other, err := t.Copies.At(own.Store, own.Set, to); {
		case err == nil && other.File != own.File && other.Lies():
			x.State, x.Why = NotDone, fmt.Sprintf("the copy of another renamed file lies at %s, under its former name", x.To.Path)
			if f.ID != 0 {
				x.Why += ". In which order they are moved: " + a.Words.ToShow(f.ID)
			}
			x.To = Shown{Store: own.Store, Path: x.To.Path, Size: other.Size, Time: timeOf(other)}
		case err != nil && !errors.Is(err, fixity.ErrNotFound):
			return err
		}
		return nil
	}
	switch {
	case x.Way == repair.Upload:
		if _, filed := a.Rules.Filing(own.Store, own.Set); filed && own.Size < 0 {
			x.State, x.Way, x.Why = Refused, "", "it was never seen in that store, which files this set in its own way. Upload it by hand, to the folder and under the name that it has there"
			return nil
		}
		if own.State == fixity.Missing || own.Size < 0 {
			x.To.Size, x.To.Time = -1, time.Time{}
		}
	case x.Way == repair.Add:
		if own.Size < 0 { // it was never there
			if x.place, err = t.Copies.PlaceFor(own.Store, own.Set, own.At); err != nil {
				return err
			}
		}
		x.To = Shown{Store: own.Store, Path: a.Path(own.Store, own.Set, x.place), Size: -1}
	default:
		x.Kept = a.Path(own.Store, own.Set, fixity.KeptFolder+"/"+x.keep()+"/"+path.Base(x.place)+"."+x.keptAs())
	}
	if len(x.plan.Donors) == 0 {
		x.From = x.joinedFrom(c.Disc)
		return x.mayJoin(t)
	}
	if x.others, err = t.Files.Names(c.Same); err != nil {
		return err
	}
	x.From = a.from(x, x.plan.Donors[0])
	return nil
}

// mayJoin says of parts that are to be joined what is known of whether they hold all of the
// file together.
func (x *Item) mayJoin(t *ledger.Tx) error {
	if x.seen.Finding.Mergeable {
		return nil
	}
	x.OnlyOnceRead = true
	x.Why = "Whether they hold all of it together is known only once they are read. If they don't, nothing is touched."
	if len(x.parts) > 0 || x.named != "" {
		return nil
	}
	fs, err := t.Findings.Of(x.seen.File.ID)
	if err != nil {
		return err
	}
	var bad []fixity.Range
	for i, c := range x.plan.Merge {
		n := slices.IndexFunc(fs, func(f ledger.Finding) bool {
			return f.Open() && f.Store == c.Store && f.Carrier == 0 && len(f.Ranges) > 0 && !f.RangesMore
		})
		if n < 0 {
			return nil
		}
		if bad = both(bad, fs[n].Ranges); i == 0 {
			bad = fs[n].Ranges
		}
	}
	if len(bad) > 0 {
		at := "at byte " + fixity.Number(bad[0].Offset)
		if n := bad[0].Length; n > 1 {
			at = fmt.Sprintf("within bytes %s to %s", fixity.Number(bad[0].Offset), fixity.Number(bad[0].Offset+n-1))
		}
		x.Why = fmt.Sprintf("All of them are damaged %s. %s", at, x.Why)
	}
	return nil
}

// both are the bytes that lie in two rows of ranges, each in ascending order.
func both(a, b []fixity.Range) (out []fixity.Range) {
	for len(a) > 0 && len(b) > 0 {
		from, to := max(a[0].Offset, b[0].Offset), min(a[0].Offset+a[0].Length, b[0].Offset+b[0].Length)
		if from < to {
			out = append(out, fixity.Range{Offset: from, Length: to - from})
		}
		if a[0].Offset+a[0].Length < b[0].Offset+b[0].Length {
			a = a[1:]
		} else {
			b = b[1:]
		}
	}
	return out
}

// discsOf are the discs that a file's present version was burned on, and then those that hold
// another file with the same bytes.
func discsOf(s ledger.Seen, same []ledger.Copy) (out []string) {
	for _, c := range s.Copies {
		if c.Carrier != 0 && c.Burned == s.File.Version && s.File.Version != 0 && c.Disc != "" {
			out = append(out, c.Disc)
		}
	}
	for _, c := range same {
		if c.Carrier != 0 && !c.Lesser && c.Disc != "" && !slices.Contains(out, c.Disc) {
			out = append(out, c.Disc)
		}
	}
	return out
}

// joinedFrom is of what an item is joined; disc is one that has yet to give its part.
func (x *Item) joinedFrom(disc string) Shown {
	var out []string
	for _, c := range x.plan.Merge {
		out = append(out, c.Store)
	}
	for _, c := range x.parts {
		if c.Disc != disc {
			out = append(out, c.Disc)
		}
	}
	if disc != "" {
		out = append([]string{disc}, out...)
	}
	return Shown{Store: fixity.And(out), Size: x.version.Size}
}

// from is a donor as a person is shown it.
func (a Acts) from(x *Item, d ledger.Copy) Shown {
	return Shown{Store: d.Store, Path: a.Path(d.Store, d.Set, d.At), Size: d.Size, Time: timeOf(d), Other: x.others[d.File]}
}

// keep is the folder below fixity.KeptFolder in which what lies in the place is kept: by the
// finding, else by the file.
func (x *Item) keep() string {
	if x.Finding != 0 {
		return strconv.FormatInt(x.Finding, 10)
	}
	return keptByFile + strconv.FormatInt(x.seen.File.ID, 10)
}

// keptByFile begins the name of a folder of kept files where there is no finding.
const keptByFile = "file-"

func (x *Item) keptAs() string {
	if x.copy.State == fixity.Behind {
		return "earlier"
	}
	return "damaged"
}

func timeOf(c ledger.Copy) time.Time {
	if c.Size < 0 || c.ModTime == 0 {
		return time.Time{}
	}
	return time.Unix(0, c.ModTime).UTC()
}
