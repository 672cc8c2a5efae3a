package app

import (
	"context"
	"errors"
	"fmt"
	"io/fs"
	"log/slog"
	"net/http"
	"sync"
	"sync/atomic"
	"time"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/pages/site"
	"firmus/cmd/firmus/internal/web"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
)

// DaemonOptions say how the daemon runs.
type DaemonOptions struct {
	// Load reads the configuration, at the start and on each reload.
	Load  func() (*config.Config, error)
	By    string
	Log   *slog.Logger
	Build metrics.Build
	// Reload asks for the configuration to be read anew.
	Reload <-chan struct{}
	// Ready is told once everything runs; Reloading at the beginning of a reload (Ready
	// follows). Alive is told now and then while nothing hangs. All may be nil.
	Ready, Reloading, Alive func()
	// Link is told the link that opens the pages once, where there are no accounts; may be
	// nil.
	Link func(url string)
	// Setup makes a configuration if Load finds none (fs.ErrNotExist); nil: that is an error.
	Setup *Setup
	// Opened is told of each archive that is opened, before it is used; may be nil.
	Opened func(a *App)
	// WatchDrive tells of changes of the disc in a drive; nil: optical.Watch.
	WatchDrive func(ctx context.Context, drive string) <-chan optical.Change
	// Listed leaves out what the system tells of the stores' folders: they are listed
	// now and then, as where it tells nothing; for tests.
	Listed bool
	// Follow overrides how often the record is followed; for tests.
	Follow time.Duration
	// Beat overrides how often the schedule comes round where nothing is due, and the
	// ledger is tried; for tests in which a month passes at once.
	Beat time.Duration
	// Look overrides how often it is looked for stores that may have come, and at the
	// register's file; for tests.
	Look time.Duration
	// TakeInFirst and Rest override when new files are looked for after a start, and how
	// long one must be at rest, also the register's; Again how often is tried what may get better; Changes how
	// often a service is asked what has changed; for tests.
	TakeInFirst, Rest, Again, Changes time.Duration
	// Now is the clock of the wall; nil: the system's. How long something takes isn't told by it.
	Now func() time.Time
	// Shared overrides how long jobs of several hosts take; for tests.
	Shared hosts.Times
}

// Daemon is the program as it runs all the time: schedule, watch, letters, metrics.
type Daemon struct {
	o     DaemonOptions
	web   *web.Server
	had   atomic.Bool   // it has had a ledger
	again chan struct{} // another ledger lies in the place of the one that is open
	rules chan struct{} // a store was retired, or taken up again: the rules are others now
	pages site.Memory
	// followed is how many events' findings have been logged; below 0: those that there
	// are when the first parts start need not be.
	followed atomic.Int64

	mu           sync.Mutex
	s            *parts
	loaded       time.Time
	reloadFailed bool
	lastDisc     checking.Last
}

// openAgain is how often a ledger is tried that can't be opened, and an address that
// is taken.
const openAgain = 15 * time.Second

func (o DaemonOptions) again() time.Duration {
	if o.Again > 0 {
		return o.Again
	}
	return openAgain
}

// RunDaemon runs until ctx ends. The error says why it could not start: the
// configuration, a second instance (fixity.ErrBusy), a ledger that this program
// mustn't touch. What may get better by itself (a full or read-only drive, a database
// that doesn't answer, an address that is taken) is said, shown and tried again.
func RunDaemon(ctx context.Context, o DaemonOptions) error {
	d := &Daemon{o: o, again: make(chan struct{}, 1), rules: make(chan struct{}, 1)}
	d.followed.Store(-1)
	d.web = &web.Server{Log: o.Log, Down: d.down(), Again: o.again()}
	defer d.web.Close()
	var holder []byte // of who set up just now
	cfg, err := o.Load()
	if o.Setup != nil && errors.Is(err, fs.ErrNotExist) {
		if holder, err = d.setUp(ctx); err != nil {
			if ctx.Err() != nil {
				return nil // stopped
			}
			return err
		}
		cfg, err = o.Load()
	}
	if err != nil {
		return err
	}
	d.loaded = time.Now()
	s, unlock, err := d.begin(ctx, cfg)
	if err != nil {
		if final(err) {
			return err
		}
		// Also without a ledger it can be asked how it is.
		d.web.Cert.Name(cfg.Web.Certificate, cfg.Web.Key)
		d.web.Listen(ctx, cfg.Web.Listen)
		if s, unlock, err = d.beginAtLast(ctx, cfg, err); err != nil {
			return err
		}
		if s == nil {
			return nil // stopped
		}
	}
	for {
		d.had.Store(true)
		d.web.Cert.Name(s.a.Config.Web.Certificate, s.a.Config.Web.Key)
		d.web.Listen(ctx, s.a.Config.Web.Listen)
		if holder != nil {
			if err := s.a.adopt(ctx, holder); err != nil {
				o.Log.Error("who set up has to open the pages by another link", "error", err)
				holder = nil
			}
		}
		d.start(s)
		if holder == nil {
			d.link(ctx, s.a)
		}
		holder = nil
		o.Log.Info("the daemon runs", "version", o.Build.Version, "config", cfg.File, "ledger", s.a.Ledger.Where(), "listen", cfg.Web.Listen)
		if o.Ready != nil {
			o.Ready()
		}
		again := d.serve(ctx)
		o.Log.Info("stopping")
		d.current().stop()
		d.web.Hide()
		unlock()
		if !again {
			o.Log.Info("stopped")
			return nil
		}
		o.Log.Info("another ledger of these holdings lies there now: beginning anew with it")
		cfg = d.current().a.Config
		d.followed.Store(-1)
		if s, unlock, err = d.begin(ctx, cfg); err != nil {
			if s, unlock, err = d.beginAtLast(ctx, cfg, err); err != nil || s == nil {
				return err
			}
		}
	}
}

// serve runs until ctx ends, or the daemon is to begin again.
func (d *Daemon) serve(ctx context.Context) (again bool) {
	alive := time.NewTicker(20 * time.Second)
	defer alive.Stop()
	for {
		select {
		case <-ctx.Done():
			return false
		case <-d.again:
			return true
		case <-d.o.Reload:
			if d.o.Reloading != nil {
				d.o.Reloading()
			}
			cfg, err := d.o.Load()
			d.reload(ctx, cfg, err)
			if d.o.Ready != nil {
				d.o.Ready()
			}
		case <-d.rules:
			d.renew(ctx)
		case <-alive.C:
			if d.o.Alive != nil && d.current().runner.Alive() == nil {
				d.o.Alive()
			}
		}
	}
}

// final says that trying again won't help.
func final(err error) bool {
	if backups.IsLost(err) {
		return false // who only ended would be started again for ever, and tell nobody
	}
	var bad *config.Error
	return errors.As(err, &bad) || errors.Is(err, ErrSecond) || errors.Is(err, ledger.ErrNewer) || errors.Is(err, ledger.ErrDamaged) ||
		errors.Is(err, ledger.ErrPlace) || errors.Is(err, fixity.ErrRefused) || errors.Is(err, fixity.ErrNotFound)
}

// ErrSecond says that a daemon of the archive runs already.
var ErrSecond = errors.New("a daemon for this archive runs already")

// begin opens everything and takes the daemon's lock.
func (d *Daemon) begin(ctx context.Context, cfg *config.Config) (*parts, func(), error) {
	s, err := prepare(ctx, d, cfg)
	if err != nil {
		return nil, nil, err
	}
	unlock, err := s.a.Ledger.LockOwn(ctx, daemonLock(cfg), "firmus serve", 0, s.now)
	if err != nil {
		s.a.Close()
		if errors.Is(err, fixity.ErrBusy) {
			return nil, nil, fmt.Errorf("%w: %w", ErrSecond, err)
		}
		return nil, nil, err
	}
	if err := s.join(ctx); err != nil {
		unlock()
		s.a.Close()
		if errors.Is(err, fixity.ErrBusy) {
			return nil, nil, fmt.Errorf("%w: %w", ErrSecond, err)
		}
		return nil, nil, err
	}
	s.a.Acts.SweepState(ctx) // what one that was killed left
	return s, unlock, nil
}

func (d *Daemon) beginAtLast(ctx context.Context, cfg *config.Config, err error) (*parts, func(), error) {
	said := ""
	for {
		if text := err.Error(); text != said {
			d.o.Log.Error("the ledger can't be opened; tried again", "error", err, "every", d.o.again())
			said = text
			d.tellLost(ctx, cfg, err)
		}
		select {
		case <-ctx.Done():
			return nil, nil, nil
		case <-d.o.Reload:
			if fresh, err := d.o.Load(); err != nil {
				d.o.Log.Error("the configuration was not reloaded; the old one is in force", "error", err)
			} else {
				cfg = fresh
			}
		case <-time.After(d.o.again()):
		}
		s, unlock, again := d.begin(ctx, cfg)
		if again == nil || final(again) && !(d.had.Load() && errors.Is(again, fixity.ErrNotFound)) {
			return s, unlock, again
		}
		err = again
	}
}

func (d *Daemon) current() *parts {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.s
}

func (d *Daemon) start(s *parts) {
	d.mu.Lock()
	d.s = s
	d.mu.Unlock()
	s.start()
	d.web.Show(s.handler)
}

// reload goes over to the configuration that was read anew. Everything that can fail is
// done before anything is changed; if something does, the old one stays in force.
func (d *Daemon) reload(ctx context.Context, cfg *config.Config, err error) {
	if err == nil {
		err = d.swap(ctx, cfg)
	}
	d.mu.Lock()
	d.reloadFailed = err != nil
	if err == nil {
		d.loaded = time.Now()
	}
	d.mu.Unlock()
	if err != nil {
		d.o.Log.Error("the configuration was not reloaded; the old one is in force", "error", err)
		return
	}
	d.o.Log.Info("the configuration was reloaded", "config", cfg.File)
}

// renew begins anew with the configuration that is in force: the ledger says now that other
// stores of it are in use. Nobody is asked to restart for that.
func (d *Daemon) renew(ctx context.Context) {
	s := d.current()
	if same, err := s.sameStores(ctx); err == nil && same {
		return // a reload came before
	}
	if err := d.swap(ctx, s.configured); err != nil {
		d.o.Log.Error("a store was retired or taken up again, and the daemon could not go over to that; tried again with the next event", "error", err)
		return
	}
	d.o.Log.Info("a store was retired or taken up again: the daemon goes by that now", "stores", d.current().a.Config.StoreNames())
}

// swap puts the parts under cfg in the place of those that run, or changes nothing.
func (d *Daemon) swap(ctx context.Context, cfg *config.Config) error {
	old := d.current()
	s, listener, err := d.prepareReload(ctx, old, cfg)
	if err != nil {
		return err
	}
	old.stop()
	d.web.Cert.Name(s.a.Config.Web.Certificate, s.a.Config.Web.Key)
	if listener != nil {
		d.web.Move(ctx, listener, s.a.Config.Web.Listen)
	}
	d.start(s)
	return nil
}

// link tells the link that opens the pages once.
func (d *Daemon) link(ctx context.Context, a *App) {
	if d.o.Link == nil || a.Config.Web.Listen == "" {
		return
	}
	url, err := a.NewLink(ctx, d.web.Listening())
	if err != nil {
		d.o.Log.Error("a link to the pages could not be made", "error", err)
		return
	}
	d.o.Link(url)
}

// down is what is shown while there is no ledger.
func (d *Daemon) down() http.Handler {
	mux := http.NewServeMux()
	web.Health(mux, func() error { return nil }, func(context.Context) error { return errors.New("the ledger can't be opened") })
	if _, h, err := metrics.Serve(d.o.Build, nil, nil, func(context.Context) metrics.Facts {
		return metrics.Facts{Free: -1, Reloaded: d.loaded}
	}); err == nil {
		mux.Handle("GET /metrics", web.Here(h))
	}
	return mux
}
