package recovering

import (
	"context"
	"errors"
	"fmt"
	"io"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/manifests"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// Order says what is to be put right.
type Order struct {
	Findings []int64
	Incident int64  // all open findings of an incident as well
	Store    string // all that isn't whole in a store
	From     string // the store or disc that is to give the bytes; "": the best
	// Drive or Image is where that disc is. Progress is told how many of its sectors were
	// dealt with; may be nil.
	Drive, Image string
	Progress     func(done, of int64)
	// Done is told how many of the files were dealt with; may be nil.
	Done   func(done, of int)
	DryRun bool // say only what would be done
	// Paused is a person's word that the program which keeps a folder in step is paused, on
	// each computer that has it.
	Paused bool
	Reason string
	// Saw are, by finding, the marks of what the person was shown (ledger.Seen).
	Saw map[int64]string
	// SawAll is the mark of all open findings of the incident as they were shown.
	SawAll string
	// Upload lays a file ready that a person is to upload to a cloud, at its place there; nil
	// refuses what a cloud keeps.
	Upload func(store, set, at string, write func(io.Writer) error) error
	// Agree is asked with the plan before anything is touched; nil agrees.
	Agree func(Result) error

	done func() // tells Done of one file more
}

// State says how far a copy has come.
type State string

// The states of a recovery.
const (
	Planned  State = "planned"
	Refused  State = "refused"   // it isn't put right this way; Why says what to do
	NoDonor  State = "no-donor"  // no other copy is whole, or none that was tried is
	NotDone  State = "not-done"  // something was away, busy, full, or the file has changed meanwhile
	PutBack  State = "put-back"  // it is in its place, and was read there: intact
	ToUpload State = "to-upload" // it is laid ready for a person to upload
	Unread   State = "unread"    // it is in its place, and the reading that proves it is still to come
)

// Shown is a file as a person is shown it before another one takes its place.
type Shown struct {
	Store string    `json:"store"`
	Path  string    `json:"path"` // the whole path, as the system writes it
	Size  int64     `json:"size"` // bytes; -1 if nothing lies there
	Time  time.Time `json:"time,omitzero"`
	// Other names the file that it is a copy of, where that is another one under care with
	// the same checksum; "" else.
	Other string `json:"other_file,omitempty"`
}

// Item is one copy that is to be put right.
type Item struct {
	Finding int64      `json:"finding,omitempty"`
	Store   string     `json:"store"`
	Set     string     `json:"set"`
	Path    string     `json:"path"`
	Way     repair.Way `json:"way,omitempty"`
	From    Shown      `json:"from,omitzero"`
	To      Shown      `json:"to,omitzero"`
	Kept    string     `json:"kept,omitempty"` // where what lay there is kept, the whole path
	// OneVolume says that what gives the bytes lies on the volume that is written to.
	OneVolume bool   `json:"one_volume,omitempty"`
	State     State  `json:"state"`
	Why       string `json:"why,omitempty"`
	// OnlyOnceRead says of parts that would be joined that only reading them shows whether they
	// hold all of it together.
	OnlyOnceRead bool `json:"only_once_read,omitempty"`
	// MayName are the discs or stores of which one may be named as what gives the bytes, where
	// the program takes none by itself.
	MayName []string `json:"-"`

	seen    ledger.Seen
	copy    ledger.Copy // as it is in the ledger
	place   string      // where it is put
	plan    repair.Plan
	parts   []part           // of it, that discs gave
	others  map[int64]string // names of the other files that may give its bytes, by number
	onDisc  int64            // the file that the named disc holds: this one, or another with the same bytes
	named   string           // the disc that is to give its bytes; "": none was named
	version ledger.Version
	foundAt string // of what is moved back
	found   fixity.Entry
}

// Result is the plan, and then what was done.
type Result struct {
	Items  []Item   `json:"items"`
	InStep []string `json:"in_step"` // stores that a program keeps in step with what is written to
	Bytes  int64    `json:"bytes"`   // that are copied
	// Takes is about how long it takes, where it is known how fast the stores are read; else 0.
	Takes  time.Duration `json:"takes_ns"`
	DryRun bool          `json:"dry_run"`

	disc string // that is to give the bytes
}

// Count is how many items are in a state, and their bytes.
func (r Result) Count(s State, ways ...repair.Way) (n int, bytes int64) {
	for _, x := range r.Items {
		if x.State == s && (len(ways) == 0 || slices.Contains(ways, x.Way)) {
			n++
			bytes += x.version.Size
		}
	}
	return n, bytes
}

// Recover puts copies right: what is damaged gets a whole copy's bytes, what lacks is
// copied, what lies elsewhere is moved back. For each copy, in this order: the order is
// recorded, and from which donor; that donor is read in full while its bytes are written
// beside the place, and they must have the version's digest, else the next donor is tried;
// they are read back; what lies in the place is kept; the new file takes the place; that is
// recorded; the copy is read at its place, and only that reading makes it intact and ends
// its finding.
//
// Nothing is deleted. After an error or a kill each place holds the old file or the new
// one, and the same order again goes on. What can't be done is in the result, item by
// item; the error is of the order as a whole.
func (a Acts) Recover(ctx context.Context, o Order) (Result, error) {
	res, err := a.planRecovery(ctx, o)
	if err != nil || o.DryRun {
		return res, err
	}
	if n, _ := res.Count(Planned); n == 0 {
		return res, nil
	}
	if len(res.InStep) > 0 && !o.Paused {
		return res, fmt.Errorf("a program keeps %s in step. Pause it first, on every computer that has it: else it may carry the damaged file back, or the new one over a good one. Then say so (%s). Nothing was touched: %w",
			fixity.And(res.InStep), a.Words.Opt("paused"), fixity.ErrRefused)
	}
	if o.Agree != nil {
		if err := o.Agree(res); err != nil {
			return res, err
		}
	}
	for i := range res.Items {
		if x := &res.Items[i]; x.State == Planned {
			x.Why, x.OnlyOnceRead = "", false // now it is found out
		}
	}
	if err := a.gather(ctx, o, &res); err != nil {
		return res, err
	}
	for i := range res.Items {
		if x := &res.Items[i]; x.Way == repair.Upload && x.State == Planned {
			if err := a.layReady(ctx, x, o); err != nil {
				return res, err
			}
		}
	}
	n, _ := res.Count(Planned)
	o.done = func() {}
	if tell := o.Done; tell != nil {
		done := 0
		o.done = func() { done++; tell(done, n) }
	}
	// Work goes store by store: each is used once.
	for _, s := range a.Rules.Stores {
		if err := a.recoverIn(ctx, s.Name, o, &res); err != nil {
			return res, err
		}
	}
	for i := range res.Items {
		x := &res.Items[i]
		if !res.lacks(x.seen.File.ID) {
			x.forget()
		}
		x.Why = report.Plainly(x.Why)
		if x.State == NotDone || x.State == NoDonor {
			x.Kept = "" // it is where it was
		}
	}
	if err := manifests.Of(a.Archive).MakeUpSaying(ctx); err != nil {
		return res, err
	}
	return res, a.audits().FollowUp(ctx, fixity.Bypassed)
}

// put says that an item is in its place by this order.
func (x *Item) put() bool { return x.State == PutBack || x.State == Unread }

// lacks says that a file has an item that isn't in its place.
func (r Result) lacks(file int64) bool {
	return slices.ContainsFunc(r.Items, func(x Item) bool { return x.seen.File.ID == file && !x.put() })
}

// seeAnew takes what the order itself has changed about a finding for seen: that of a file
// of which another copy was put right.
func (a Acts) seeAnew(ctx context.Context, x *Item, res *Result) error {
	if x.Finding == 0 || !slices.ContainsFunc(res.Items, func(y Item) bool { return y.seen.File.ID == x.seen.File.ID && y.put() }) {
		return nil
	}
	return a.Ledger.View(ctx, func(t *ledger.Tx) error {
		now, err := t.SeeFinding(x.Finding)
		if err == nil && now.Finding.Open() && now.Finding.Kind == x.seen.Finding.Kind && now.File.Version == x.seen.File.Version {
			x.seen = now
		}
		return err
	})
}

// recoverWait is how long a store is waited for that somebody else works on.
const recoverWait = time.Minute

// recoverIn puts right what lies in one store.
func (a Acts) recoverIn(ctx context.Context, store string, o Order, res *Result) error {
	var mine []*Item
	for i := range res.Items {
		if x := &res.Items[i]; x.Store == store && x.State == Planned {
			mine = append(mine, x)
		}
	}
	if len(mine) == 0 {
		return nil
	}
	for _, x := range mine {
		if err := a.seeAnew(ctx, x, res); err != nil {
			return err
		}
	}
	begun := false
	err := a.Stores().Use(ctx, store, stores.Purpose{Wait: recoverWait}, func(ctx context.Context, u *stores.Used) error {
		begun = true
		if err := a.sweepCutOff(ctx, u); err != nil {
			return err
		}
		if err := a.resume(ctx, u, mine, o); err != nil {
			return err
		}
		mine = slices.DeleteFunc(mine, func(x *Item) bool { return x.State != Planned })
		slices.SortStableFunc(mine, func(x, y *Item) int { return strings.Compare(x.donor(), y.donor()) })
		for len(mine) > 0 {
			n := slices.IndexFunc(mine, func(x *Item) bool { return x.donor() != mine[0].donor() })
			if n < 0 {
				n = len(mine)
			}
			if err := a.recoverFrom(ctx, u, mine[0].donor(), mine[:n], o); err != nil {
				return err
			}
			mine = mine[n:]
		}
		return nil
	})
	if context.Cause(ctx) != nil {
		return context.Cause(ctx)
	}
	if err != nil && archive.StoreOnly(err) {
		for _, x := range mine {
			if x.State == Planned {
				if x.State, x.Why = NotDone, err.Error(); begun && errors.Is(err, fixity.ErrAway) {
					x.Why = wentAway(store, err).Error()
				}
			}
		}
		return nil
	}
	return err
}

// wentAway is an error of a store that was there when the work began, and why.
func wentAway(store string, why error) error {
	return fmt.Errorf("%s went away meanwhile. Once it is there again, say the same again: %w", store, why)
}

// donor is the store from which an item's bytes come if all is as it was planned.
func (x *Item) donor() string {
	if len(x.plan.Donors) == 0 {
		return ""
	}
	return x.plan.Donors[0].Store
}

// recoverFrom puts right what comes from one donor, and reads it at its place. The donor's
// store is used once for all.
func (a Acts) recoverFrom(ctx context.Context, u *stores.Used, donor string, xs []*Item, o Order) error {
	begun := false
	do := func(ctx context.Context) error {
		begun = true
		for _, x := range xs {
			if err := a.recoverOne(ctx, u, x, o); err != nil {
				return err
			}
			o.done()
		}
		return a.proveRecovered(ctx, u, xs)
	}
	if donor == "" || donor == u.Rule.Name {
		return do(ctx)
	}
	err := a.Stores().Use(ctx, donor, donorPurpose, func(ctx context.Context, _ *stores.Used) error { return do(ctx) })
	if begun || err == nil || !archive.StoreOnly(err) {
		return err
	}
	// It is away or busy: each item has its next donor tried, or says why it isn't done.
	for _, x := range xs {
		x.Why = err.Error()
		if x.plan.Donors = x.plan.Donors[1:]; len(x.plan.Donors) == 0 {
			x.State = NotDone
			continue
		}
		if err := a.recoverFrom(ctx, u, x.donor(), []*Item{x}, o); err != nil {
			return err
		}
	}
	return nil
}

// donorPurpose is how a donor's store is used.
var donorPurpose = stores.Purpose{Turn: time.Minute, Wait: recoverWait}

// recoverOne puts one copy right. What keeps it from that is told in the item; an error
// ends the work in the store.
func (a Acts) recoverOne(ctx context.Context, u *stores.Used, x *Item, o Order) error {
	notDone := func(err error) error {
		x.State, x.Why = NotDone, err.Error()
		if errors.Is(err, fixity.ErrChanged) {
			why := strings.ReplaceAll(err.Error(), fixity.ErrChanged.Error()+": ", "")
			x.Why = fmt.Sprintf("what lies there is no longer what was read: %s. Nothing was touched. Now %s", why, a.Words.ToRead(x.Store))
		}
		var other *inTheWay
		if errors.As(err, &other) {
			x.Why = fmt.Sprintf("%s at %s. Nothing was touched. %s Then say the same again", other.is, x.To.Path, report.MoveAway(other.code))
		}
		if cause := context.Cause(ctx); cause != nil {
			return cause
		}
		if errors.Is(err, fixity.ErrAway) {
			return err
		}
		return nil
	}
	if !slices.Contains(u.Here, x.Set) {
		why := "store is away"
		if i := slices.IndexFunc(u.Away, func(f fixity.Fact) bool { return f.Set == x.Set }); i >= 0 {
			why = report.Fact(u.Away[i])
		}
		x.State, x.Why = NotDone, why
		return nil
	}
	in, err := mendedRoot(u, x.Set)
	if err != nil {
		return notDone(err)
	}
	if err := a.enough(ctx, in, x); err != nil {
		return notDone(err)
	}
	if err := inItsPlace(ctx, in, x.place); err != nil {
		return notDone(err)
	}
	r := ledger.Recovery{Finding: x.Finding, Way: string(x.Way), At: x.place, Reason: o.Reason}
	if x.Way == repair.MoveBack {
		r.From, r.Place = "", x.foundAt
		return a.moveBack(ctx, in, x, r, notDone)
	}
	was, err := asRead(ctx, in, x)
	if err != nil {
		return notDone(err)
	}
	p := puttingBack{PuttingBack: fixity.PuttingBack{Path: x.place, Was: was, Keep: fixity.KeptFolder + "/" + x.keep(), As: x.keptAs()}}
	sources := a.sources(x)
	for i, src := range sources {
		r.From, r.Place, r.Other, p.ModTime = src.from.Store, src.place, src.from.Other, src.modTime
		r.Merged = src.joined && len(x.plan.Merge)+len(x.parts) > 1
		x.From = src.from
		if err := a.recoveryOrdered(ctx, x, r); errors.Is(err, fixity.ErrChangedMeanwhile) {
			return notDone(err)
		} else if err != nil {
			return err
		}
		err := src.give(ctx, in, &p)
		var bad *donorError
		switch {
		case err == nil:
			x.Why = ""
			if src.joined { // those that were needed
				r.From, r.Merged = fixity.And(p.gave), len(p.gave) > 1
				x.From.Store = r.From
			}
			return a.recovered(ctx, in, x, r, p)
		case !errors.As(err, &bad):
			return notDone(err)
		}
		if err := src.failed(ctx, bad); err != nil {
			return err
		}
		if cause := context.Cause(ctx); cause != nil {
			return cause
		}
		if src.joined && x.State == NotDone {
			break // of a donor that nobody could look at nothing is known
		}
		x.Why = strings.TrimPrefix(x.Why+". "+bad.Error(), ". ")
		if x.State = NoDonor; !bad.rotten {
			x.State = NotDone
		}
		if src.joined && len(x.parts) > 0 {
			x.Why += ". What was given by " + x.givers() + " is kept for a week: put in another disc that holds it, or the same one in another drive, and name it (" + a.Words.Opt("from") + ")"
		}
		if i < len(sources)-1 {
			a.Sayf("%s", bad.Error())
		}
	}
	return nil
}

// recovered records that a copy is in its place.
func (a Acts) recovered(ctx context.Context, root stores.Root, x *Item, r ledger.Recovery, p puttingBack) error {
	if r.Kept = p.kept; r.Kept != "" {
		x.Kept = a.Path(x.Store, x.Set, r.Kept)
	}
	x.State = Unread
	// What was done is recorded, also when the person has had enough.
	ctx, cancel := context.WithTimeout(context.WithoutCancel(ctx), 10*time.Second)
	defer cancel()
	var err error
	if r.Entry, err = root.Stat(ctx, x.place); err != nil {
		return err
	}
	return a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error { return t.Copies.Recovered(x.copy, r, a.By) })
}

func (a Acts) recoveryOrdered(ctx context.Context, x *Item, r ledger.Recovery) error {
	return a.Ledger.Tx(ctx, a.Now(), func(t *ledger.Tx) error { return t.Copies.RecoveryOrdered(x.seen, x.copy, r, a.By) })
}

func (a Acts) moveBack(ctx context.Context, in mended, x *Item, r ledger.Recovery, notDone func(error) error) error {
	lies, err := in.Stat(ctx, x.foundAt)
	if err != nil {
		return notDone(fmt.Errorf("%w: %w", fixity.ErrChanged, err))
	}
	if lies.Size != x.found.Size || !lies.ModTime.Equal(x.found.ModTime) {
		return notDone(fmt.Errorf("%w: another file is at %s now", fixity.ErrChanged, x.From.Path))
	}
	if err := a.recoveryOrdered(ctx, x, r); errors.Is(err, fixity.ErrChangedMeanwhile) {
		return notDone(err)
	} else if err != nil {
		return err
	}
	if err := in.Move(ctx, lies, x.place); err != nil {
		return notDone(err)
	}
	return a.recovered(ctx, in, x, r, puttingBack{})
}

// roomLeft is how much room a drive must have left after a file was put on it.
const roomLeft = 64 << 20

// enough looks whether there is room for the file. What lies there stays, so all of it
// is needed.
func (a Acts) enough(ctx context.Context, in stores.Mended, x *Item) error {
	if x.Way == repair.MoveBack {
		return nil
	}
	free, err := in.Free(ctx)
	if err != nil || free < 0 || free >= x.version.Size+roomLeft {
		return err
	}
	return fmt.Errorf("there is no room for it on the drive: %s are free, and %s are needed: the file takes %s beside what lies there, and %s must stay free",
		report.Size(free), report.Size(x.version.Size+roomLeft), report.Size(x.version.Size), report.Size(int64(roomLeft)))
}

// inTheWay is the error of something that is no file and lies in a copy's place.
type inTheWay struct{ code, is string }

func (e *inTheWay) Error() string { return e.is }

// inItsPlace is an *inTheWay if something that is no file lies in a place.
func inItsPlace(ctx context.Context, root stores.Root, at string) error {
	e, err := root.Stat(ctx, at)
	switch {
	case errors.Is(err, fixity.ErrNoFile):
		return &inTheWay{"folder", "a folder lies"}
	case err != nil:
		return nil // what follows says it
	case e.Type == fixity.Link:
		return &inTheWay{"link", "a link lies"}
	case e.Type == fixity.Special:
		return &inTheWay{"special", "something that is no file lies"}
	case e.Type == fixity.Online:
		return &inTheWay{"online", "only a placeholder lies"}
	}
	return nil
}

// asRead is what lies in the place, nil if nothing should. It must be what the ledger
// knows: a file that somebody has put there since is never replaced.
func asRead(ctx context.Context, root stores.Root, x *Item) (*fixity.Entry, error) {
	was, err := root.Stat(ctx, x.place)
	switch {
	case errors.Is(err, fixity.ErrVanished) && x.Way == repair.Add:
		return nil, nil
	case errors.Is(err, fixity.ErrVanished):
		return nil, fmt.Errorf("%w: nothing lies there any more", fixity.ErrChanged)
	case err != nil:
		return nil, err
	case x.Way == repair.Add:
		return nil, fmt.Errorf("%w: something lies there now", fixity.ErrChanged)
	case was.Size != x.copy.Size || was.ModTime.UnixNano() != x.copy.ModTime:
		return nil, fmt.Errorf("%w: %s bytes, written %s", fixity.ErrChanged, fixity.Number(was.Size), was.ModTime.UTC().Format("2 Jan 2006 15:04 UTC"))
	}
	return &was, nil
}

// proveRecovered reads what was put back at its place, in the same use of the store, and
// says of each copy whether it is intact now.
func (a Acts) proveRecovered(ctx context.Context, u *stores.Used, xs []*Item) error {
	if !slices.ContainsFunc(xs, func(x *Item) bool { return x.State == Unread }) {
		return nil
	}
	if err := a.audits().FollowUpStore(ctx, u.Rule.Name, fixity.Bypassed); err != nil {
		return err
	}
	return a.Ledger.View(ctx, func(t *ledger.Tx) error {
		for _, x := range xs {
			if x.State != Unread {
				continue
			}
			all, err := t.Copies.Of(x.seen.File.ID)
			if err != nil {
				return err
			}
			for _, c := range all {
				if c.Store != x.Store || c.Carrier != 0 {
					continue
				}
				if c.State == fixity.Intact || c.State == fixity.Editing {
					x.State = PutBack
				} else {
					x.Why = fmt.Sprintf("it was put back, and is %s by the reading at its place", c.State)
				}
			}
		}
		return nil
	})
}
