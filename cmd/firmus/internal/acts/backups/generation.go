package backups

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"slices"
	"strconv"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/expr"
	"firmus/fixity/ledger"
)

// Backups of the ledger lie in a store as generations, a folder each:
//
//	.firmus-ledger/2026-11-28T205804Z-55/        55 events; ledger.db, events/, discs.csv, checkpoint.txt
//	.firmus-ledger/aside-2026-11-28T205804Z-55/  kept, and outside the rotation
//	.firmus-ledger/unfinished-…/                 is being written or removed, or was when the power went
//
// A generation is written under the name unfinished-…, its checkpoint last, and gets its
// own name in one step when all of it has been read back. So at every moment each folder
// that has a generation's name is whole, and the older ones are untouched by the newest.
const (
	asidePrefix      = "aside-"
	unfinishedPrefix = "unfinished-"
	checkpointTxt    = "checkpoint.txt"
	ledgerDB         = "ledger.db"
	// Of the generations these are kept: the newest, and the last of each month.
	keepNewest = 7
	keepMonths = 12
	// Together they may have so many bytes, or so many times those of the newest,
	// whichever is more; keepAlways stay in any case.
	keepBytes  = 2 << 30
	keepTimes  = 4
	keepAlways = 2
)

var generationName = expr.Once(`^\d{4}-\d\d-\d\dT\d{6}Z-(\d+)$`)

// generations are the backups in one root.
type generations struct {
	e          Acts
	root       stores.Root
	store, set string
}

func (g generations) path(names ...string) string {
	out := archive.BackupFolder
	for _, n := range names {
		out += "/" + n
	}
	return out
}

// add writes a new generation of files (name in it -> file here). What it must not
// replace is set aside first, and told; what rotation ends is removed last.
func (g generations) add(ctx context.Context, files map[string]string, events int64) (total int64, err error) {
	names, err := g.root.Names(ctx, archive.BackupFolder)
	if err != nil {
		return 0, err
	}
	kept, err := g.sort(ctx, names)
	if err != nil {
		return 0, err
	}
	name := fmt.Sprintf("%s-%d", g.e.Now().UTC().Format("2006-01-02T150405Z"), events)
	if !slices.Contains(kept, name) {
		order := slices.DeleteFunc(sortedNames(files), func(n string) bool { return n == checkpointTxt })
		for _, n := range append(order, checkpointTxt) {
			size, err := writeThrough(ctx, g.root, g.path(unfinishedPrefix+name, n), files[n])
			if err != nil {
				return total, fmt.Errorf("%s: %w", g.path(name, n), err)
			}
			total += size
		}
		if err := g.root.RenameOwn(ctx, g.path(unfinishedPrefix+name), g.path(name)); err != nil {
			return total, err
		}
		kept = append(kept, name)
	}
	return total, g.rotate(ctx, kept)
}

// renew exchanges one file of the newest generation, if there is one.
func (g generations) renew(ctx context.Context, name, file string) error {
	names, err := g.root.Names(ctx, archive.BackupFolder)
	if err != nil {
		return err
	}
	kept, err := g.sort(ctx, names)
	if err != nil || len(kept) == 0 {
		return err
	}
	newest := slices.MaxFunc(kept, func(a, b string) int {
		return cmp.Or(cmp.Compare(eventsOf(a), eventsOf(b)), strings.Compare(a, b))
	})
	_, err = writeThrough(ctx, g.root, g.path(newest, name), file)
	return err
}

// eventsOf is how many events a generation holds, by its name.
func eventsOf(name string) int64 {
	n, _ := strconv.ParseInt(generationName().FindStringSubmatch(name)[1], 10, 64) // the pattern has digits only
	return n
}

// sort sets aside the generations that this ledger is no continuation of, removes what a
// kill left unfinished, and gives the others.
func (g generations) sort(ctx context.Context, names []string) (kept []string, err error) {
	for _, n := range names {
		if strings.HasPrefix(n, unfinishedPrefix) {
			if err := g.root.RemoveOwn(ctx, g.path(n)); err != nil {
				return nil, err
			}
			continue
		}
		if !generationName().MatchString(n) {
			continue
		}
		why, err := g.judge(ctx, n)
		if err != nil {
			return nil, err
		}
		if why == "" {
			kept = append(kept, n)
			continue
		}
		if err := g.setAside(ctx, n, why); err != nil {
			return nil, err
		}
	}
	return kept, nil
}

// judge says why a generation must be set aside; "" if it needn't.
func (g generations) judge(ctx context.Context, name string) (why string, err error) {
	text, err := g.root.ReadFile(ctx, g.path(name, checkpointTxt), 1<<16)
	if errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrDenied) || context.Cause(ctx) != nil {
		return "", err
	}
	if err != nil {
		return fmt.Sprintf("its checkpoint can't be read (%v)", err), nil
	}
	seal, err := ledger.ReadSeal(text)
	if err != nil {
		return fmt.Sprintf("its checkpoint can't be read (%v)", err), nil
	}
	err = g.e.Ledger.GoesOnFrom(ctx, seal)
	for _, no := range []error{ledger.ErrOtherHoldings, ledger.ErrDiverged, ledger.ErrFuller} {
		if errors.Is(err, no) {
			return no.Error(), nil
		}
	}
	return "", err
}

func (g generations) setAside(ctx context.Context, name, why string) error {
	to := asidePrefix + name
	err := g.root.RenameOwn(ctx, g.path(name), g.path(to))
	for i := 2; errors.Is(err, fixity.ErrRefused) && i < 1000; i++ { // the name is taken
		to = fmt.Sprintf("%s%s-%d", asidePrefix, name, i)
		err = g.root.RenameOwn(ctx, g.path(name), g.path(to))
	}
	if err != nil {
		return err
	}
	g.e.Sayf("store %s: the backup of the ledger %s was set aside and stays: %s. It is now %s/%s/%s",
		g.store, name, why, g.e.Where(g.store, g.set), archive.BackupFolder, to)
	return nil
}

// rotate removes the generations that nothing asks to be kept.
func (g generations) rotate(ctx context.Context, names []string) error {
	var all []generation
	for _, n := range names {
		size, err := g.size(ctx, n)
		if err != nil {
			return err
		}
		all = append(all, generation{n, n[:len("2026-11")], eventsOf(n), size})
	}
	for _, n := range superfluous(all, g.e.Now()) {
		// Half of one must not bear a generation's name.
		if err := g.root.RenameOwn(ctx, g.path(n), g.path(unfinishedPrefix+n)); err != nil {
			return err
		}
		if err := g.root.RemoveOwn(ctx, g.path(unfinishedPrefix+n)); err != nil {
			return err
		}
	}
	return nil
}

// generation is a backup as rotation sees it.
type generation struct {
	name, month string
	events      int64
	bytes       int64
}

// superfluous are the generations that may go.
func superfluous(all []generation, now time.Time) []string {
	all = slices.Clone(all)
	slices.SortFunc(all, func(a, b generation) int { // the newest first, whatever the clock said
		if a.events != b.events {
			return cmp.Compare(b.events, a.events)
		}
		return strings.Compare(b.name, a.name)
	})
	oldest := now.UTC().AddDate(0, -keepMonths, 0).Format("2006-01")
	months, total := map[string]bool{}, int64(0)
	var out []string
	for i, g := range all {
		keep := i < keepNewest
		if !months[g.month] && g.month > oldest {
			keep = true
		}
		months[g.month] = true
		if i >= keepAlways && total+g.bytes > max(keepBytes, keepTimes*all[0].bytes) {
			keep = false
		}
		if keep {
			total += g.bytes
		} else {
			out = append(out, g.name)
		}
	}
	return out
}

// size is how many bytes a generation has.
func (g generations) size(ctx context.Context, name string) (total int64, err error) {
	for _, sub := range []string{"", "events"} {
		dir := g.path(name)
		if sub != "" {
			dir = g.path(name, sub)
		}
		names, err := g.root.Names(ctx, dir)
		if err != nil {
			return 0, err
		}
		for _, n := range names {
			x, err := g.root.Stat(ctx, dir+"/"+n)
			if errors.Is(err, fixity.ErrVanished) {
				continue // a folder
			}
			if err != nil {
				return 0, err
			}
			total += x.Size
		}
	}
	return total, nil
}
