// Package app wires the parts together: configuration, ledger, stores, acts. It is
// the only package that sees everything, and no use case lives here.
package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"sync"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
	"firmus/replicas/cloud"
	"firmus/replicas/disk"
	"firmus/replicas/named"
)

// Options say how an App is opened.
type Options struct {
	Config   *config.Config
	By       string // the person or program that acts
	Known    string // the account of the computer by which they are known; "" if none tells
	Now      func() time.Time
	Say      func(format string, args ...any) // messages; may be nil
	Progress audit.Progress
	// MustExist refuses to make a new ledger.
	MustExist bool
	// Shows says, with MustExist, that it is for a command that only shows: event files that know
	// what the ledger doesn't are left as they are.
	Shows bool
	// MakesNothing makes no state folder, with MustExist and a ledger on PostgreSQL, where there is
	// none, and no event files then.
	MakesNothing bool
	// BeginBeside begins a new ledger also where something lies of an earlier one: by a
	// person's order. Else that is a *backups.LostError.
	BeginBeside bool
	// TakesUp keeps the stores that were retired: one of them is to be taken up again.
	TakesUp bool
	// Version is that of the program, for hosts that share a ledger: they need one; "": it isn't
	// compared.
	Version string
	// Times are those of hosts.Options; for tests.
	Times hosts.Times
	// Works makes it one of the hosts that share the ledger on PostgreSQL (Host), once that is
	// started. Else it only hands work out to those that run. nil: it doesn't.
	Works *Works
}

// App is an open archive.
type App struct {
	Config *config.Config
	Ledger *ledger.Ledger
	// What can be ordered, in its rooms; all share one archive.Archive.
	Acts       acts.Acts
	Deciding   deciding.Acts
	Receiving  receiving.Acts
	Recovering recovering.Acts
	Backups    backups.Acts
	Discs      *checking.Desk
	Events     *backups.Events
	// Checks says what would not work tonight, and sends a test letter if it is asked to; nil:
	// the pages of this archive can't tell.
	Checks func(ctx context.Context, letter bool) ([]site.Checked, error)
	clouds *clouds.Stores
	did    did
	litter map[string]care.LeaveOut // by set
	mu     sync.Mutex
	dirs   map[[3]string]*disk.Dir // by store, set and treatment of the cache
	unlock func()                  // of the state folder
	Host   *hosts.Host             // among those that share the ledger; nil: it is this computer's alone
}

// Open opens the ledger by the configuration and wires the stores to it.
func Open(ctx context.Context, o Options) (*App, error) {
	c := o.Config
	var clock func() time.Time
	if o.Now == nil {
		o.Now = time.Now
		if c.Ledger.URL != "" {
			clock = o.Now
		}
	}
	rules, litter, err := rulesOf(c)
	if err != nil {
		return nil, err
	}
	lo := ledger.Options{
		Path: ledgerFile(c), URL: c.Ledger.URL, State: c.State, Rules: rules, Now: o.Now(), Clock: clock, By: o.By,
		MustExist: o.MustExist && c.Ledger.URL == "", Zone: time.Local, TakesUp: o.TakesUp,
	}
	if c.Ledger.URL != "" {
		if lo.Host, err = hostName(c); err != nil {
			return nil, err
		}
	}
	if err := mayRead(c.State); err != nil {
		return nil, err
	}
	unlock := func() {} // a state folder that isn't there, or can't be written to, can't be restored either
	lock := func() error {
		u, err := ledger.LockState(c.State, false)
		if errors.Is(err, fixity.ErrBusy) {
			return fmt.Errorf("it is being restored: %w", err)
		}
		if err == nil {
			unlock = u
		}
		return nil
	}
	_, err = os.Stat(c.State)
	there := err == nil
	if there {
		if err := lock(); err != nil {
			return nil, err
		}
	}
	opened := false
	defer func() {
		if !opened {
			unlock()
		}
	}()
	if !o.BeginBeside {
		if err := mayBegin(ctx, c, lo); err != nil && (!o.MustExist || c.Ledger.URL != "" || backups.IsLost(err)) {
			return nil, err
		}
	}
	if o.MustExist {
		if c.Ledger.URL != "" {
			begun, err := ledger.Begun(ctx, lo)
			if err != nil {
				return nil, err
			}
			if !begun {
				return nil, fmt.Errorf("there is no ledger yet in the database: \"firmus intake\" begins one: %w", fixity.ErrNotFound)
			}
		} else if _, err := os.Stat(c.State); errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("there is no ledger yet (%s): \"firmus intake\" begins one: %w", c.State, fixity.ErrNotFound)
		}
	} else if err := private.Make(c.State, 0o700); err != nil {
		return nil, fmt.Errorf("state folder: %w", err)
	}
	makes := there || !o.MakesNothing
	if makes && !there {
		if err := lock(); err != nil {
			return nil, err
		}
	}
	if c.Ledger.URL == "" && !o.MustExist {
		if err := backups.SetAsideLost(c.State); err != nil {
			return nil, fmt.Errorf("event files of an earlier ledger: %w", err)
		}
	}
	if n := private.Tighten(c.State); n > 0 && o.Say != nil {
		o.Say("the state folder %s was open to other accounts: %s closed", c.State, fixity.Count(n, "entry")+" in it "+fixity.OneOr(n, "was", "were"))
	}
	a := &App{Config: c, litter: litter, clouds: &clouds.Stores{Now: o.Now}}
	a.clouds.Held = a.did.held
	a.clouds.Place = func(ctx context.Context, store, set, path string) (cloud.Expected, error) {
		return clouds.PlaceIn(ctx, a.Ledger, store, set, path)
	}
	a.Events = &backups.Events{Dir: filepath.Join(c.State, "events"), Show: o.Shows, Now: o.Now, By: o.By, Say: o.Say}
	lo.Committed = func([]ledger.Event) { a.Events.BringUp(false) }
	a.Ledger, err = ledger.Open(ctx, lo)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil, fmt.Errorf("there is no ledger yet: \"firmus intake\" begins one: %w", err)
	}
	if err != nil {
		return nil, err
	}
	rules = a.Ledger.Rules()
	c = c.Only(rules.StoreNames())
	a.Config = c
	if !o.MustExist {
		k, err := a.Ledger.Key()
		if err == nil {
			err = a.Ledger.NoteKey(ctx, o.Now(), k)
		}
		if err != nil {
			a.Ledger.Close()
			return nil, err
		}
	}
	all := &archive.Archive{
		Ledger: a.Ledger, Rules: rules, Now: o.Now, By: o.By, Known: o.Known, Progress: o.Progress, Say: o.Say,
		Root: func(store, set string, cache fixity.Cache) (stores.Root, error) {
			return a.root(store, set, cache)
		},
		Where:    a.where,
		Path:     a.pathOf,
		NoMarker: func(store string) bool { s, _ := c.Store(store); return !s.Marker },
		Free:     disk.FreeBytes,
		Device:   a.device,
		Solid:    a.solid,
		Traffic:  disk.Traffic,
		Turns:    &stores.Turns{},
		Limits: func(store string) stores.Limits {
			s, _ := c.Store(store)
			l := stores.Limits{Rate: int64(s.Rate), Window: schedule.Window(s.Window), Readers: s.Readers}
			if s.Kind == config.Cloud {
				l.Count = func(ctx context.Context, n int64) error {
					err := a.Ledger.CountServiceRead(ctx, o.Now(), store, n)
					if err != nil && o.Say != nil {
						o.Say("store %s: what was read today could not be counted: %v", store, err)
					}
					return err
				}
			}
			return l
		},
		FitEvents: func() { a.Events.BringUp(true) },
		Apart:     a.apart,
		Folder:    func(dir string) (stores.Folder, error) { return Folder(dir, fixity.Bypassed) },
		LeftOut:   func(set, path string, isDir bool) bool { return litter[set].Match(path, isDir) },
	}
	if err := a.shareOut(ctx, all, o); err != nil {
		a.Ledger.Close()
		return nil, err
	}
	a.Acts, a.Deciding, a.Receiving, a.Recovering, a.Backups = acts.Of(all), deciding.Of(all), receiving.Of(all), recovering.Of(all), backups.Of(all)
	a.Discs = a.discs()
	all.Carriers = a.Discs
	if makes {
		a.Events.Begin(a.Ledger)
	}
	a.unlock, opened = unlock, true
	return a, nil
}

// mayRead refuses a state folder that is closed to this account.
func mayRead(state string) error {
	if err := named.Folder(state); err != nil {
		return fmt.Errorf("the state folder: %w", err)
	}
	if _, err := os.Stat(filepath.Join(state, "ledger.db")); !errors.Is(err, os.ErrPermission) {
		return nil // also if nothing is there
	}
	return fmt.Errorf("the state folder %s is closed to this account. Use the account that it belongs to, or share it with a group: \"firmus service install --group NAME\": %w", state, fixity.ErrDenied)
}

// Close ends the connections to the ledger.
func (a *App) Close() error {
	defer a.unlock()
	if a.Host != nil {
		a.Host.Close()
	}
	return a.Ledger.Close()
}

func rulesOf(c *config.Config) (care.Rules, map[string]care.LeaveOut, error) {
	r := care.Rules{Copies: c.Rule.Copies, Places: c.Rule.Places, Within: time.Duration(c.Rule.Within), RestrictsItems: restrictsItems(c)}
	litter := map[string]care.LeaveOut{}
	for _, s := range c.Sets {
		set := care.Set{Name: s.Name, Role: s.Role, Editing: time.Duration(s.Editing), Restricted: s.Restricted, TwoPeople: s.TwoPeople}
		if s.Pattern != "" {
			var err error
			if set.Pattern, err = care.NewPattern(s.Pattern); err != nil {
				return r, nil, fmt.Errorf("%s: set %s: pattern: %w: %w", c.File, s.Name, err, fixity.ErrRefused)
			}
		}
		r.Sets = append(r.Sets, set)
		l, err := care.NewLeaveOut(s.LeaveOut)
		if err != nil {
			return r, nil, fmt.Errorf("%s: set %s: %w: %w", c.File, s.Name, err, fixity.ErrRefused)
		}
		litter[s.Name] = l
	}
	for _, s := range c.Stores {
		p := care.Store{Name: s.Name, Kind: string(s.Kind), Place: s.Place, Follows: s.Follows, Arrivals: s.Arrivals, Visiting: s.Visiting,
			Manifests: s.Manifests, OwnDrive: s.OwnDrive, ReadWithin: time.Duration(s.ReadWithin), ExpectWithin: time.Duration(s.ExpectWithin),
			DrillWithin: time.Duration(s.DrillWithin), Service: s.Service, ReadADay: int64(s.ReadADay)}
		for _, x := range s.Sets {
			p.Sets = append(p.Sets, x.Set)
		}
		for _, x := range s.Patterns {
			pattern, err := care.NewPattern(x.Pattern)
			if err != nil {
				return r, nil, fmt.Errorf("%s: store %s: pattern of %s: %w: %w", c.File, s.Name, x.Set, err, fixity.ErrRefused)
			}
			if p.Patterns == nil {
				p.Patterns = map[string]*care.Pattern{}
			}
			p.Patterns[x.Set] = pattern
		}
		r.Stores = append(r.Stores, p)
	}
	return r, litter, nil
}

func (a *App) where(store, set string) string { return rootOf(a.Config, store, set) }

// rootOf is a set's root in a store, as people know it.
func rootOf(c *config.Config, store, set string) string {
	s, _ := c.Store(store)
	for _, r := range s.Sets {
		if r.Set == set && s.Kind == config.Disk {
			return r.Path
		}
	}
	return "the folder of " + store
}

// ledgerFile is where the embedded ledger lies.
func ledgerFile(c *config.Config) string { return filepath.Join(c.State, "ledger.db") }

// root opens a set's root in a store. The switch on the kind of store is here and
// nowhere else.
func (a *App) root(store, set string, cache fixity.Cache) (stores.Root, error) {
	s, ok := a.Config.Store(store)
	if !ok {
		return nil, fmt.Errorf("store %q is not in the configuration: %w", store, fixity.ErrRefused)
	}
	switch s.Kind {
	case config.Disk:
	case config.Cloud:
		st, err := a.clouds.Store(s)
		if err != nil {
			return nil, fmt.Errorf("%w: %w", fixity.ErrAway, err)
		}
		return clouds.OnlyRead{Folder: st.Set(set, a.litter[set].Match), Blind: func() { a.clouds.Forget(store) }}, nil
	default:
		return nil, fmt.Errorf("store %q is of kind %s: %w", store, s.Kind, fixity.ErrRefused)
	}
	// One for all who use it: what hangs in it is then known to whoever comes next.
	a.mu.Lock()
	defer a.mu.Unlock()
	key := [3]string{store, set, string(cache)}
	if d := a.dirs[key]; d != nil {
		return d, nil
	}
	d, err := disk.Open(a.where(store, set), disk.Options{Store: store, Marker: s.Marker, Cache: cache, LeaveOut: a.litter[set].Match})
	if err != nil {
		return nil, err
	}
	if a.dirs == nil {
		a.dirs = map[[3]string]*disk.Dir{}
	}
	a.dirs[key] = d
	return d, nil
}

// solid says that a store lies on a drive without a spindle, as far as the system knows.
func (a *App) solid(ctx context.Context, store string) bool { return a.spindles(ctx, store, false) }

// rotates says that a store lies on drives with a spindle, all of it, as far as the system knows.
func (a *App) rotates(ctx context.Context, store string) bool { return a.spindles(ctx, store, true) }

// spindles says that the system knows of each drive of a store that it has a spindle, or hasn't.
func (a *App) spindles(ctx context.Context, store string, has bool) bool {
	s, _ := a.Config.Store(store)
	for _, r := range s.Sets {
		root, err := a.root(store, r.Set, fixity.Bypassed)
		if err != nil {
			return false
		}
		dir, ok := root.(*disk.Dir)
		if !ok {
			return false
		}
		if dev, err := dir.Device(ctx); err != nil || !dev.Known || dev.Rotational != has {
			return false
		}
	}
	return len(s.Sets) > 0
}

// device names the drive that a store lies on; stores on one are never read at once.
func (a *App) device(ctx context.Context, store string) string {
	s, _ := a.Config.Store(store)
	if s.Kind != config.Disk {
		return string(s.Kind) + " " + store
	}
	for _, r := range s.Sets {
		root, err := a.root(store, r.Set, fixity.Bypassed)
		if err != nil {
			continue
		}
		if dev, err := root.(*disk.Dir).Device(ctx); err == nil && dev.ID != "" {
			return dev.ID
		}
	}
	return ""
}
