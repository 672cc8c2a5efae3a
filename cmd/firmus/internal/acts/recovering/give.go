package recovering

import (
	"context"
	"errors"
	"fmt"
	"io"
	"os"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/fixity/repair"
)

// source is what may give a copy's bytes.
type source struct {
	from    Shown
	place   string // where they lie there; "" if they are joined
	modTime time.Time
	joined  bool
	give    func(context.Context, stores.Mended, *puttingBack) error // a *donorError: nothing has changed
	failed  func(context.Context, *donorError) error
}

// sources are what may give an item's bytes, in the order in which they are tried: whole
// copies, then the good parts of all.
func (a Acts) sources(x *Item) (out []source) {
	for _, d := range x.plan.Donors {
		out = append(out, source{
			from: a.from(x, d), place: d.At, modTime: a.versionTime(x, d),
			give:   func(ctx context.Context, in stores.Mended, p *puttingBack) error { return a.copyFrom(ctx, in, p, d, x) },
			failed: func(ctx context.Context, bad *donorError) error { return a.donorFailed(ctx, d, bad) },
		})
	}
	if x.plan.Joined {
		out = append(out, source{
			from: x.joinedFrom(""), modTime: a.versionTime(x, x.plan.Merge...), joined: true,
			give: func(ctx context.Context, in stores.Mended, p *puttingBack) error {
				p.without = nil
				return a.mergeInto(ctx, in, p, x, x.plan.Merge, nil)
			},
			failed: func(context.Context, *donorError) error { return nil },
		})
	}
	return out
}

// versionTime is the time of the version's file, as copies tell it: one that holds it on a
// drive before those that give the bytes, and of those one whose time isn't in doubt. Zero:
// nothing tells it.
func (a Acts) versionTime(x *Item, gives ...ledger.Copy) time.Time {
	for _, c := range x.seen.Copies {
		if s, _ := a.Rules.Store(c.Store); s.Kind == repair.DiskKind && c.Held == x.version.N && c.State == fixity.Intact && c.Size >= 0 {
			return timeOf(c)
		}
	}
	if len(gives) > 0 && gives[0].File != x.seen.File.ID {
		return time.Time{} // another file's time says nothing of this one
	}
	for _, c := range gives {
		if c.State != fixity.Altered {
			return timeOf(c)
		}
	}
	if len(gives) > 0 {
		return timeOf(gives[0])
	}
	return timeOf(x.copy)
}

// donorError is why a donor doesn't give the bytes.
type donorError struct {
	err    error
	rotten bool // it isn't the version any more
}

// ofDonor is an error of opening or reading a donor.
func (a Acts) ofDonor(d ledger.Copy, err error) *donorError {
	if errors.Is(err, fixity.ErrAway) {
		return &donorError{err: wentAway(d.Store, err)}
	}
	return &donorError{fmt.Errorf("%s: %w", a.PlaceOf(d), err), errors.Is(err, fixity.ErrVanished) || errors.Is(err, fixity.ErrUnreadable)}
}

func (d *donorError) Error() string { return d.err.Error() }
func (d *donorError) Unwrap() error { return d.err }

// puttingBack is a file on its way to its place, and where what lay there is kept then.
type puttingBack struct {
	fixity.PuttingBack
	kept string
	gave []string // what gave a part, where several may be joined
	// without says of copies why their parts aren't among those that are joined.
	without []string
}

// copyFrom writes a donor's bytes into the place. A *donorError is of the donor alone:
// nothing has changed.
func (a Acts) copyFrom(ctx context.Context, in stores.Mended, p *puttingBack, d ledger.Copy, x *Item) error {
	return a.usedFor(ctx, d, func(ctx context.Context, u *stores.Used) error {
		if a.Progress.File != nil {
			a.Progress.File(fixity.Shard{Store: d.Store, Set: d.Set}, d.At, d.Size)
		}
		return a.writeBack(ctx, in, p, x, func(w io.Writer) error {
			return a.give(ctx, u, d, x, w)
		})
	})
}

// give writes a donor's bytes. If they aren't the version's, or can't be read, the error is a
// *donorError.
func (a Acts) give(ctx context.Context, u *stores.Used, d ledger.Copy, x *Item, w io.Writer) error {
	src, err := acts.OpenCopy(ctx, u, d)
	if err != nil {
		return a.ofDonor(d, err)
	}
	defer src.Close()
	var failed error // of writing
	sums, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Progress: a.Progress.Bytes, Tee: acts.Noting{Writer: w, Err: &failed}}.Read(ctx, src)
	switch got, _ := sums.Get(fixity.BLAKE3); {
	case failed != nil:
		return failed
	case err != nil:
		return a.ofDonor(d, err)
	case got != x.version.BLAKE3:
		return &donorError{err: fmt.Errorf("%s was known to be whole, and isn't any more: it doesn't have the checksum of the version now. It was not used", a.PlaceOf(d)), rotten: true}
	}
	return nil
}

// layReady has a file that a person is to upload laid ready.
func (a Acts) layReady(ctx context.Context, x *Item, o Order) error {
	for _, d := range x.plan.Donors {
		x.From = a.from(x, d)
		err := a.usedFor(ctx, d, func(ctx context.Context, u *stores.Used) error {
			return o.Upload(x.Store, x.Set, x.place, func(w io.Writer) error { return a.give(ctx, u, d, x, w) })
		})
		var bad *donorError
		switch {
		case err == nil:
			x.State, x.Why = ToUpload, ""
			return nil
		case !errors.As(err, &bad):
			return err
		}
		if err := a.donorFailed(ctx, d, bad); err != nil {
			return err
		}
		if x.State, x.Why = NoDonor, bad.Error(); !bad.rotten {
			x.State = NotDone
		}
	}
	return nil
}

// usedFor uses a donor's store. What keeps it from that is a *donorError.
func (a Acts) usedFor(ctx context.Context, d ledger.Copy, do func(context.Context, *stores.Used) error) error {
	err := a.Stores().Use(ctx, d.Store, donorPurpose, func(ctx context.Context, u *stores.Used) error {
		if !slices.Contains(u.Here, d.Set) {
			why := "it is away"
			if i := slices.IndexFunc(u.Away, func(f fixity.Fact) bool { return f.Set == d.Set }); i >= 0 {
				why = report.Fact(u.Away[i])
			}
			return &donorError{err: fmt.Errorf("%s is away now: %s", d.Store, why)}
		}
		return do(ctx, u)
	})
	if err != nil && archive.StoreOnly(err) && !errors.As(err, new(*donorError)) {
		err = &donorError{err: err}
	}
	return err
}

// writeBack writes what give gives into the place, and reads it back.
func (a Acts) writeBack(ctx context.Context, in stores.Mended, p *puttingBack, x *Item, give func(io.Writer) error) (err error) {
	p.kept, err = in.PutBack(ctx, p.PuttingBack, give, func(r fixity.Reader) error {
		same, err := isVersion(ctx, r, x.version)
		if err != nil {
			return fmt.Errorf("read back: %w", err)
		}
		if !same {
			return errors.New("read back: what was written isn't what was read: check cable, port and memory. The old file is where it was")
		}
		return nil
	})
	return err
}

// opened is something of which good parts may be taken.
type opened struct {
	repair.Part
	name string
}

// mergeInto joins the good parts of several copies, and of what discs gave, in the place;
// left are the copies whose stores aren't in use yet. One that is away or busy is done
// without.
func (a Acts) mergeInto(ctx context.Context, in stores.Mended, p *puttingBack, x *Item, left []ledger.Copy, inUse []opened) error {
	if len(left) > 0 {
		d, reached := left[0], false
		err := a.usedFor(ctx, d, func(ctx context.Context, u *stores.Used) error {
			root, err := u.Root(d.Set, fixity.Bypassed)
			if err != nil {
				return err
			}
			reached = true
			return a.mergeInto(ctx, in, p, x, left[1:], append(inUse, opened{repair.Part{Open: func(ctx context.Context, off int64) (io.ReadCloser, error) {
				lies, err := root.Stat(ctx, d.At)
				if err != nil {
					return nil, err
				}
				return root.Open(ctx, lies, off)
			}}, d.Store}))
		})
		var bad *donorError
		if !reached && errors.As(err, &bad) && context.Cause(ctx) == nil {
			p.without = append(p.without, bad.Error())
			return a.mergeInto(ctx, in, p, x, left[1:], inUse)
		}
		return err
	}
	for _, c := range x.parts {
		f, err := os.Open(c.file)
		if err != nil {
			continue // it was removed meanwhile
		}
		defer f.Close()
		given := opened{c.of(f), c.Disc}
		if c.Disc == x.named {
			inUse = append([]opened{given}, inUse...)
		} else {
			inUse = append(inUse, given)
		}
	}
	var names []string
	var parts []repair.Part
	for _, c := range inUse {
		names, parts = append(names, c.name), append(parts, c.Part)
	}
	var blocks []uint32
	if err := a.Ledger.View(ctx, func(t *ledger.Tx) (err error) {
		blocks, err = t.Files.Blocks(x.seen.File.ID, x.version.N)
		return err
	}); err != nil {
		return err
	}
	return a.writeBack(ctx, in, p, x, func(w io.Writer) error {
		sum, err := digest.NewSum(fixity.BLAKE3)
		if err != nil {
			return err
		}
		from, err := repair.Merge(ctx, io.MultiWriter(w, sum), x.version.Size, blocks, parts)
		if errors.Is(err, repair.ErrNotWhole) {
			// Of a copy that nobody could look at nothing is known.
			return &donorError{err: fmt.Errorf("%s: %w%s", fixity.And(names), err, strings.Join(append([]string{""}, p.without...), "; ")), rotten: len(p.without) == 0}
		}
		if got, _ := sum.Sums().Get(fixity.BLAKE3); err == nil && got != x.version.BLAKE3 {
			return &donorError{err: fmt.Errorf("joined of %s it doesn't have the checksum of the version. It was not used", fixity.And(names)), rotten: true}
		}
		p.gave = nil
		for i, n := range from {
			if n > 0 || len(from) == 1 {
				p.gave = append(p.gave, names[i])
			}
		}
		if len(p.gave) == 0 { // an empty file
			p.gave = names
		}
		return err
	})
}

// isVersion says whether all that a reader gives are the version's bytes.
func isVersion(ctx context.Context, r io.Reader, v ledger.Version) (bool, error) {
	sums, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}}.Read(ctx, r)
	got, _ := sums.Get(fixity.BLAKE3)
	return got == v.BLAKE3, err
}

// donorFailed makes a donor that isn't what it was due at once: its own finding follows
// from the readings that judge it.
func (a Acts) donorFailed(ctx context.Context, d ledger.Copy, bad *donorError) error {
	if !bad.rotten && !errors.Is(bad, fixity.ErrChanged) {
		return nil
	}
	return a.audits().ReadSoon(ctx, d)
}
