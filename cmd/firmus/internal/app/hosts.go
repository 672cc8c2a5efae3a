package app

import (
	"cmp"
	"context"
	"fmt"
	"log/slog"
	"os"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Works is what a host does beside those that share its ledger.
type Works struct {
	Log  *slog.Logger
	Work hosts.Work
}

// hostEnv names the variable that goes before [host] name.
const hostEnv = "FIRMUS_HOST"

// hostName is this computer's name among the hosts that share a ledger: the one in the
// environment, the configuration's, or one made of the system's. It refuses a name in the
// environment that can't be a host's, as the configuration refuses one, and a computer without
// any: two of them would take each other for one host.
func hostName(c *config.Config) (string, error) {
	if name := os.Getenv(hostEnv); name != "" {
		name, ok := config.HostName(name)
		if !ok {
			return "", fmt.Errorf("%s: %q can't be the name of a host: %s: %w", hostEnv, name, config.HostNameRule, fixity.ErrRefused)
		}
		return name, nil
	}
	if c.Host.Name != "" {
		return c.Host.Name, nil
	}
	system, err := os.Hostname()
	name, ok := config.HostNameOf(system)
	if !ok {
		return "", fmt.Errorf("the system gives this computer no name (%v): give it one by [host] name in %s, or by %s: %w", err, c.File, hostEnv, fixity.ErrRefused)
	}
	return name, nil
}

// HostName is the name of a host whose archive was opened: a computer without a name opens none.
func HostName(c *config.Config) string {
	name, _ := hostName(c)
	return name
}

// shareOut joins an archive whose ledger is on PostgreSQL to the hosts that share it. It does
// nothing with an embedded ledger.
func (a *App) shareOut(ctx context.Context, all *archive.Archive, o Options) error {
	c := a.Config
	if c.Ledger.URL == "" {
		return nil
	}
	all.Host = HostName(c)
	all.Elsewhere = func(store string) []string {
		if s, ok := c.Store(store); ok && !shared(s).On(all.Host) {
			return s.Hosts
		}
		return nil
	}
	ho := hosts.Options{URL: c.Ledger.URL, Name: all.Host, Ledger: a.Ledger, Now: o.Now, Log: slog.New(slog.DiscardHandler), Agreed: agreed(o.Config), Version: o.Version, Times: o.Times}
	for _, s := range c.Stores {
		ho.Stores = append(ho.Stores, shared(s))
	}
	if w := o.Works; w != nil {
		ho.Log, ho.Work = w.Log, &w.Work
	}
	all.ReadAtOnce = func(t *ledger.Tx, store string) (string, error) {
		s, _ := c.Store(store)
		if s.AtOnce == 0 && !shared(s).Measured() || s.Kind != config.Disk && s.Kind != config.Cloud {
			return "", nil
		}
		b, err := t.Hosts.Bearing(store)
		return report.AtOnce(b, s.AtOnce), err
	}
	var err error
	if a.Host, err = hosts.Open(ctx, ho); err == nil {
		all.Share = a.Host
	}
	return err
}

// shared is a store as hosts share it.
func shared(s config.Store) hosts.Store {
	return hosts.Store{Name: s.Name, Hosts: s.Hosts, AtOnce: s.AtOnce, Rate: int64(s.Rate), Open: schedule.Window(s.Window).Open}
}

// agreed is what hosts that share a ledger must have alike in their configurations: what
// decides what is under care, where, and when it is judged to be in danger. The state folder,
// pages, mail, and where a key or a drive lies, are each host's own.
func agreed(c *config.Config) hosts.Agreed {
	out := hosts.Agreed{"the holdings' name": c.Name, "[rule]": fmt.Sprintf("%s, %s, within %s", fixity.Count(int64(c.Rule.Copies), "copy"), fixity.Count(int64(c.Rule.Places), "place"), time.Duration(c.Rule.Within))}
	for _, d := range c.Closed {
		out["closed"] += fmt.Sprint(d) + " "
	}
	for _, s := range c.Sets {
		at := "set " + s.Name
		for what, is := range map[string]any{"role": s.Role, "editing": time.Duration(s.Editing), "pattern": s.Pattern, "restricted": s.Restricted, "two_people": s.TwoPeople,
			"leave_out": strings.Join(s.LeaveOut, ", ")} {
			out[at+", "+what] = fmt.Sprint(is)
		}
	}
	for _, s := range c.Stores {
		at := "store " + s.Name
		for what, is := range map[string]any{"kind": s.Kind, "place": s.Place, "arrivals": s.Arrivals, "visiting": s.Visiting, "follows": s.Follows, "manifests": s.Manifests,
			"own_drive": s.OwnDrive, "marker": s.Marker, "read_within": time.Duration(s.ReadWithin), "expect_within": time.Duration(s.ExpectWithin), "drill_within": time.Duration(s.DrillWithin),
			"schedule": s.Schedule, "window": s.Window, "rate": int64(s.Rate), "read_a_day": int64(s.ReadADay), "hosts": strings.Join(s.Hosts, ", "), "at_once": s.AtOnce,
			"service": s.Service, "folder": s.Folder, "endpoint": s.Endpoint, "patterns": s.Patterns} {
			out[at+", "+what] = fmt.Sprint(is)
		}
		for _, r := range s.Sets {
			out[at+", root of "+r.Set] = r.Path
		}
	}
	if m := c.Mail; m != nil {
		out[hosts.WhereSet+"recipients of letters"] = fmt.Sprint(m.To)
	}
	if r := c.Register; r != nil {
		x := *r
		x.File, x.PasswordFile = "", ""
		out[hosts.WhereSet+"[register]"] = fmt.Sprintf("%+v", x)
	}
	return out
}

// VersionOf is what hosts that share a ledger must have alike of the program.
func VersionOf(b metrics.Build) string { return strings.TrimSpace(b.Version + " " + b.Commit) }

// works is what this daemon does as a host.
func (s *parts) works(c *config.Config) *Works {
	o := s.d.o
	w := &Works{Log: s.log}
	w.Work = hosts.Work{
		Slice: func(ctx context.Context, p acts.Part, windows bool, enough func(int64) bool) (int64, error) {
			return acts.Of(s.acts(windows, false)).Slice(ctx, p, enough)
		},
		FollowUp: func(ctx context.Context, store string, cache fixity.Cache) error {
			return acts.Of(s.acts(false, false)).FollowUpHere(ctx, store, cache)
		},
		Compare: func(ctx context.Context, finding int64) error {
			return acts.Of(s.acts(false, false)).CompareHere(ctx, finding)
		},
		Here: func(ctx context.Context) []string {
			checks, err := s.a.Acts.CheckStores(ctx)
			if err != nil {
				return nil
			}
			here := found(s.a.Config, checks)
			s.tellOther(ctx, checks)
			s.mu.Lock()
			defer s.mu.Unlock()
			s.here = here
			return here
		},
		Did: func(store string) (int64, int64) { return s.a.did.of(store) },
		Spindle: func(ctx context.Context, store string) bool {
			return s.a.Acts.Turns.Slow(store) && s.a.rotates(ctx, store)
		},
		Wants: func(ctx context.Context) []string { return s.runner.Wants(ctx) },
		Turn: func(store string, ended func()) {
			if !s.spawn(func() { defer ended(); s.runner.Turn(s.ctx, store) }) {
				ended()
			}
		},
	}
	post, register := hosts.Chore{Name: postChore, Every: cmp.Or(o.Follow, postShared)}, hosts.Chore{Name: registerChore}
	if c.Mail != nil {
		post.Do = s.postOnce
	}
	if c.Register != nil {
		register.Do = func(context.Context) error { s.readRegister(); return nil }
		register.Can = func() error {
			if c.Register.File == "" {
				return nil // it lies in the cloud
			}
			_, err := os.Stat(c.Register.File)
			return err
		}
	}
	w.Work.Chores = []hosts.Chore{post, register}
	for _, st := range c.Stores {
		if st.Manifests && st.Kind == config.Disk {
			w.Work.Chores = append(w.Work.Chores, s.backups(c, st.Name))
		}
	}
	return w
}

// backups keeps up the backups in a store: a chore of its own, since hosts reach different ones.
// One that failed is tried again after a while; if its host dies another one begins it anew.
func (s *parts) backups(c *config.Config, store string) hosts.Chore {
	st, _ := c.Store(store)
	var failed time.Time
	return hosts.Chore{Name: backupChore + "-" + store, Every: cmp.Or(s.d.o.Look, backupsShared),
		Can: func() error {
			s.mu.Lock()
			defer s.mu.Unlock()
			if !shared(st).On(HostName(c)) || !slices.Contains(s.here, store) {
				return fmt.Errorf("store %s isn't reached from here, or wasn't found", store)
			}
			return nil
		},
		Do: func(ctx context.Context) error {
			if time.Since(failed) < backupAgain {
				return nil
			}
			empty := false
			if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { empty, err = t.Log.Empty(); return err }); err != nil || empty {
				return err // nothing was taken in yet
			}
			bad, err := s.a.Backups.KeepUp(ctx, store)
			if bad {
				failed = time.Now()
			}
			return err
		}}
}

// What one of several hosts does for all: it sends letters, if it has [mail], reads the
// register, and backs the record up into a store that it reaches. The names are River's, too:
// never change one.
const (
	postChore     = "letters"
	registerChore = "register"
	backupChore   = "backup"
	postShared    = 15 * time.Second // how often letters are thought of
	backupsShared = time.Minute      // how often it is looked whether a backup is due
	backupAgain   = 15 * time.Minute // when one is tried again that failed
)

// join makes this daemon one of the hosts that share the ledger, if any do.
func (s *parts) join(ctx context.Context) error {
	if s.a.Host == nil {
		return nil
	}
	err := s.a.Host.Join(ctx)
	s.joined = err == nil
	return err
}

// workShared begins to work for the hosts. After a reload it joins them anew under its name.
func (s *parts) workShared() {
	if s.a.Host == nil {
		return
	}
	s.spawn(func() {
		for said := ""; ; s.pause(s.d.o.again()) {
			err := error(nil)
			if !s.joined {
				err = s.join(s.ctx)
			}
			if err == nil {
				err = s.a.Host.Start(s.ctx)
			}
			if err == nil || s.ctx.Err() != nil {
				return
			}
			if err.Error() != said {
				said = err.Error()
				s.log.Error("this host can't work beside the others; tried again", "error", err)
			}
		}
	})
}

// found are the stores that are where they should be on this computer, by what was seen.
func found(c *config.Config, checks []acts.StoreCheck) (out []string) {
	bad := map[string]bool{}
	for _, x := range checks {
		bad[x.Store] = bad[x.Store] || !x.OK || x.Away
	}
	for _, st := range c.Stores {
		if is, looked := bad[st.Name]; looked && !is {
			out = append(out, st.Name)
		}
	}
	return out
}

// others says of stores that other hosts have, and that should be here, too, what is here instead:
// another drive under the name, or none.
func (a *App) others(checks []acts.StoreCheck, running []ledger.Host) (out []string) {
	me := HostName(a.Config)
	for _, st := range a.Config.Stores {
		i := slices.IndexFunc(checks, func(x acts.StoreCheck) bool { return x.Store == st.Name && !x.OK && (x.Other || len(st.Hosts) > 0) })
		if i < 0 || !shared(st).On(me) {
			continue
		}
		var having []string
		for _, h := range running {
			if h.Name != me && slices.Contains(h.Has, st.Name) {
				having = append(having, h.Name)
			}
		}
		if len(having) > 0 {
			out = append(out, fmt.Sprintf("store %s is on %s, and not on %s (%s): nothing of it is read here. Two hosts that reach a store must find the same drive or share there",
				st.Name, fixity.And(having), me, checks[i].Detail))
		}
	}
	return out
}

// tellOther logs what others says, once until it changes.
func (s *parts) tellOther(ctx context.Context, checks []acts.StoreCheck) {
	running, err := hosts.Running(ctx, s.a.Ledger)
	if err != nil {
		return
	}
	said := s.a.others(checks, running)
	s.mu.Lock()
	was := s.others
	s.others = said
	s.mu.Unlock()
	for _, text := range said {
		if !slices.Contains(was, text) {
			s.log.Error("another drive, or none, where other hosts have a store", "text", text)
		}
	}
}

// CheckHosts says what this host would do beside the others, and what is wrong between them or
// reached by none of them; nothing where the ledger is this computer's alone. idle says that it
// reads nothing, as the configuration names only others. checks is what was seen of the stores.
func (a *App) CheckHosts(ctx context.Context, checks []acts.StoreCheck) (does string, idle bool, wrong []string, err error) {
	if a.Host == nil {
		return "", false, nil, nil
	}
	running, err := hosts.Running(ctx, a.Ledger)
	if err != nil {
		return "", false, nil, err
	}
	me := HostName(a.Config)
	var mine, lacking []string
	for _, s := range a.Config.Stores {
		if shared(s).On(me) {
			mine = append(mine, s.Name)
			continue
		}
		if len(running) > 0 && !slices.ContainsFunc(running, func(h ledger.Host) bool { return shared(s).On(h.Name) }) {
			lacking = append(lacking, fmt.Sprintf("store %s is reached from %s alone, and none of them runs", s.Name, strings.Join(s.Hosts, ", ")))
		}
	}
	does = me + " reads " + fixity.And(mine)
	if idle = len(mine) == 0; idle {
		var named []string
		for _, s := range a.Config.Stores {
			named = append(named, s.Hosts...)
		}
		slices.Sort(named)
		does = fmt.Sprintf("%s reads no store: hosts of the stores name %s, and not %s. If it is one of them, its name is another one: [host] name, or %s", me, fixity.And(slices.Compact(named)), me, hostEnv)
	}
	var names []string
	for _, h := range running {
		if h.Name != me {
			names = append(names, h.Name)
		}
		if err := a.Host.Agrees(h); err != nil {
			wrong = append(wrong, err.Error())
		}
	}
	if len(names) > 0 {
		does += "; beside it run " + fixity.And(names)
	}
	if ahead, err := a.Ledger.Ahead(ctx, a.Acts.Now); err == nil {
		others := slices.DeleteFunc(slices.Clone(running), func(h ledger.Host) bool { return h.Name == me })
		wrong = append(wrong, hosts.Clocks(append(others, ledger.Host{Name: me, Ahead: ahead}))...)
	}
	return does, idle, append(append(wrong, lacking...), a.others(checks, running)...), nil
}
