// Package app wires the parts together: configuration, ledger, stores, acts. It is
// the only package that sees everything, and no use case lives here.
package app

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path/filepath"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
	"firmus/fixity/ledger/private"
	"firmus/fixity/policy"
	"firmus/replicas/cloud"
	"firmus/replicas/disk"
)

// Options say how an App is opened.
type Options struct {
	Config *config.Config
	By     string // the person or program that acts
	Now    func() time.Time
	Say    func(format string, args ...any) // messages; may be nil
	Watch  audit.Watch
	// MustExist refuses to make a new ledger: for commands that only show.
	MustExist bool
	// BeginBeside begins a new ledger also where something lies of an earlier one: by a
	// person's order. Else that is a *LostError.
	BeginBeside bool
}

// App is an open archive.
type App struct {
	Config *config.Config
	Ledger *ledger.Ledger
	Acts   *acts.Env
	events *eventFiles
	clouds *clouds
	show   bool   // it was opened by a command that only shows
	unlock func() // of the state folder
}

// Open opens the ledger by the configuration and wires the stores to it.
func Open(ctx context.Context, o Options) (*App, error) {
	c := o.Config
	if o.Now == nil {
		o.Now = time.Now
	}
	rules, litter, err := rulesOf(c)
	if err != nil {
		return nil, err
	}
	lo := ledger.Options{
		Path: filepath.Join(c.State, "ledger.db"), URL: c.Ledger.URL, State: c.State, Rules: rules, Now: o.Now(), By: o.By,
		MustExist: o.MustExist && c.Ledger.URL == "", Zone: time.Local,
	}
	if err := mayRead(c.State); err != nil {
		return nil, err
	}
	var unlock func()
	lock := func() error {
		if unlock != nil {
			return nil
		}
		u, err := ledger.LockState(c.State, false)
		if errors.Is(err, fixity.ErrBusy) {
			return fmt.Errorf("it is being restored: %w", err)
		}
		unlock = u
		if err != nil { // a state folder that can't be written to can't be restored either
			unlock = func() {}
		}
		return nil
	}
	if _, err := os.Stat(c.State); err == nil {
		if err := lock(); err != nil {
			return nil, err
		}
	}
	opened := false
	defer func() {
		if !opened && unlock != nil {
			unlock()
		}
	}()
	if !o.BeginBeside {
		if err := mayBegin(ctx, c, lo); err != nil && (!o.MustExist || isLost(err)) {
			return nil, err
		}
	}
	if o.MustExist {
		if _, err := os.Stat(c.State); errors.Is(err, os.ErrNotExist) {
			return nil, fmt.Errorf("there is no ledger yet (%s): \"firmus intake\" begins one: %w", c.State, fixity.ErrNotFound)
		}
	} else if err := os.MkdirAll(c.State, 0o700); err != nil {
		return nil, fmt.Errorf("state folder: %w", err)
	}
	if err := lock(); err != nil {
		return nil, err
	}
	if c.Ledger.URL == "" && !o.MustExist {
		if err := setAsideLost(c.State); err != nil {
			return nil, fmt.Errorf("event files of an earlier ledger: %w", err)
		}
	}
	if n := private.Tighten(c.State); n > 0 && o.Say != nil {
		o.Say("the state folder %s was open to other accounts: %d files and folders in it were closed", c.State, n)
	}
	a := &App{Config: c, show: o.MustExist, events: &eventFiles{dir: filepath.Join(c.State, "events")}, clouds: &clouds{now: o.Now}}
	a.clouds.keep = func(ctx context.Context, store string, n int64) error {
		return a.Ledger.CountServiceRead(ctx, o.Now(), store, n)
	}
	a.clouds.said = func(store string, err error) {
		if o.Say != nil {
			o.Say("store %s: what was read today could not be counted: %v", store, err)
		}
	}
	a.clouds.place = func(ctx context.Context, store, set, path string) (cloud.Place, error) {
		return placeIn(ctx, a.Ledger, store, set, path)
	}
	lo.Committed = func([]ledger.Event) {
		if a.Acts != nil { // else it is being opened, and that ends with the same
			a.copyEvents(o.Say)
		}
	}
	a.Ledger, err = ledger.Open(ctx, lo)
	if errors.Is(err, fixity.ErrNotFound) {
		return nil, fmt.Errorf("there is no ledger yet: \"firmus intake\" begins one: %w", err)
	}
	if err != nil {
		return nil, err
	}
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
	a.Acts = &acts.Env{
		Ledger: a.Ledger, Rules: rules, Now: o.Now, By: o.By, Watch: o.Watch, Say: o.Say,
		Root: func(store, set string, cache fixity.Cache) (acts.Root, error) {
			return a.root(store, set, cache, litter)
		},
		Where:     a.where,
		Path:      a.pathOf,
		NoMarker:  func(store string) bool { s, _ := c.Store(store); return !s.Marker },
		Device:    a.device,
		Provided:  readProvided,
		OpenDisc:  a.openDisc,
		FitEvents: func() { a.bringEvents(o.Say, true) },
		Apart:     a.apart,
		Folder:    func(dir string) (acts.Folder, error) { return Folder(dir, fixity.Bypassed) },
		LeftOut:   func(set, path string, isDir bool) bool { return litter[set].Match(path, isDir) },
	}
	a.copyEvents(o.Say)
	a.unlock, opened = unlock, true
	return a, nil
}

// mayRead refuses a state folder that is closed to this account.
func mayRead(state string) error {
	if _, err := os.Stat(filepath.Join(state, "ledger.db")); !errors.Is(err, os.ErrPermission) {
		return nil // also if nothing is there
	}
	return fmt.Errorf("the state folder %s is closed to this account. Use the account that it belongs to, or share it with a group: \"firmus service install --group NAME\": %w", state, fixity.ErrDenied)
}

// Close ends the connections to the ledger.
func (a *App) Close() error {
	defer a.unlock()
	return a.Ledger.Close()
}

func rulesOf(c *config.Config) (policy.Rules, map[string]policy.LeaveOut, error) {
	r := policy.Rules{Copies: c.Rule.Copies, Places: c.Rule.Places, Within: time.Duration(c.Rule.Within)}
	litter := map[string]policy.LeaveOut{}
	for _, s := range c.Sets {
		set := policy.Set{Name: s.Name, Role: s.Role, Editing: time.Duration(s.Editing)}
		if s.Pattern != "" {
			var err error
			if set.Pattern, err = policy.NewPattern(s.Pattern); err != nil {
				return r, nil, fmt.Errorf("%s: set %s: pattern: %w: %w", c.File, s.Name, err, fixity.ErrRefused)
			}
		}
		r.Sets = append(r.Sets, set)
		l, err := policy.NewLeaveOut(s.LeaveOut)
		if err != nil {
			return r, nil, fmt.Errorf("%s: set %s: %w: %w", c.File, s.Name, err, fixity.ErrRefused)
		}
		litter[s.Name] = l
	}
	for _, s := range c.Stores {
		p := policy.Store{Name: s.Name, Kind: string(s.Kind), Place: s.Place, Follows: s.Follows, Arrivals: s.Arrivals, Visiting: s.Visiting,
			Manifests: s.Manifests, OwnDrive: s.OwnDrive, ReadWithin: time.Duration(s.ReadWithin), ExpectWithin: time.Duration(s.ExpectWithin),
			ReadADay: int64(s.ReadADay)}
		for _, x := range s.Sets {
			p.Sets = append(p.Sets, x.Set)
		}
		for _, x := range s.Patterns {
			pattern, err := policy.NewPattern(x.Pattern)
			if err != nil {
				return r, nil, fmt.Errorf("%s: store %s: pattern of %s: %w: %w", c.File, s.Name, x.Set, err, fixity.ErrRefused)
			}
			if p.Patterns == nil {
				p.Patterns = map[string]*policy.Pattern{}
			}
			p.Patterns[x.Set] = pattern
		}
		r.Stores = append(r.Stores, p)
	}
	return r, litter, nil
}

func (a *App) where(store, set string) string {
	s, _ := a.Config.Store(store)
	for _, r := range s.Sets {
		if r.Set == set && s.Kind == config.Disk {
			return r.Path
		}
	}
	return "the folder of " + store
}

// root opens a set's root in a store. The switch on the kind of store is here and
// nowhere else.
func (a *App) root(store, set string, cache fixity.Cache, litter map[string]policy.LeaveOut) (acts.Root, error) {
	s, ok := a.Config.Store(store)
	if !ok {
		return nil, fmt.Errorf("store %q is not in the configuration: %w", store, fixity.ErrRefused)
	}
	switch s.Kind {
	case config.Disk:
	case config.Cloud:
		st, err := a.clouds.store(s)
		if err != nil {
			return nil, fmt.Errorf("store %q: %w: %w", store, fixity.ErrAway, err)
		}
		return onlyRead{st.Set(set, litter[set].Match), a.clouds.meter(s), func() { a.clouds.forget(store) }}, nil
	default:
		return nil, fmt.Errorf("store %q is of kind %s: %w", store, s.Kind, fixity.ErrRefused)
	}
	return disk.Open(a.where(store, set), disk.Options{Store: store, Marker: s.Marker, Cache: cache, LeaveOut: litter[set].Match})
}

// device names the drive that a store lies on; stores on one are never read at once.
func (a *App) device(ctx context.Context, store string) string {
	s, _ := a.Config.Store(store)
	if s.Kind != config.Disk {
		return string(s.Kind) + " " + store
	}
	for _, r := range s.Sets {
		d, err := disk.Open(r.Path, disk.Options{Store: store})
		if err != nil {
			continue
		}
		if dev, err := d.Device(ctx); err == nil && dev.ID != "" {
			return dev.ID
		}
	}
	return ""
}
