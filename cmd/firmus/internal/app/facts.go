package app

import (
	"context"
	"errors"
	"time"

	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/schedule"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// facts are how things stand: tallies and other small tables of the ledger, and what
// the survey and the schedule know.
func (s *parts) facts(ctx context.Context) metrics.Facts {
	cfg := s.a.Config
	now := s.now()
	f := metrics.Facts{Writable: !s.survey.unwritable(), Closed: s.closed != nil && s.closed(now), Free: disk.FreeBytes(cfg.State)}
	s.d.mu.Lock()
	f.Reloaded, f.ReloadFailed = s.d.loaded, s.d.reloadFailed
	s.d.mu.Unlock()
	known, free := map[string]ledger.Store{}, map[string]bool{}
	var backups []ledger.Backup
	var counts ledger.LetterCounts
	err := s.a.Ledger.View(ctx, func(t *ledger.Tx) error {
		tallies, err := t.Copies.Tallies()
		if err != nil {
			return err
		}
		for _, x := range tallies {
			f.Files = append(f.Files, metrics.Files{Store: x.Store, Set: x.Set, State: x.State, Files: x.Files, Bytes: x.Bytes})
		}
		open, err := t.Findings.OpenCounts()
		if err != nil {
			return err
		}
		for _, x := range open {
			f.Open = append(f.Open, metrics.Open{Store: x.Store, Kind: x.Kind, Urgency: x.Urgency, N: x.N})
		}
		for _, st := range cfg.Stores {
			if x, err := t.Stores.Get(st.Name); err == nil {
				known[st.Name] = x
			}
		}
		for _, st := range cfg.Stores {
			if !s.visits.is(st.Name) {
				continue
			}
			v, err := report.LastVisit(t, st.Name)
			if err != nil {
				return err
			}
			free[st.Name] = v != nil && v.Whole
		}
		if backups, err = t.Log.Backups(); err != nil {
			return err
		}
		if f.Register, err = registerFacts(t, cfg); err != nil {
			return err
		}
		if counts, err = t.Post.Counts(); err != nil {
			return err
		}
		check, err := t.Clock.LastEnded(ledger.FiringVerify, "")
		if errors.Is(err, fixity.ErrNotFound) {
			return nil
		}
		f.Record = &metrics.Record{Checked: check.Ended, Broken: check.Outcome == ledger.FiringBroken, Failed: check.Outcome == ledger.FiringFailed}
		return err
	})
	f.LedgerUp = err == nil
	if s.a.Host != nil && f.LedgerUp {
		f.Host = HostName(cfg)
		if running, err := hosts.Running(ctx, s.a.Ledger); err == nil {
			f.Hosts = int64(len(running))
		}
	}
	f.Writable = f.Writable && f.LedgerUp
	states := map[string]schedule.State{}
	for _, x := range s.runner.States() {
		states[x.Store] = x
	}
	for _, st := range cfg.Stores {
		x := s.storeFacts(st, known[st.Name], states[st.Name])
		for _, o := range f.Open {
			x.Away = x.Away || o.Store == st.Name && o.Kind == fixity.Away
		}
		for _, b := range backups {
			if b.Store == st.Name {
				x.Backup, x.BackupFails = b.At, b.Trouble != ""
			}
		}
		x.MayGoBack = free[st.Name]
		f.Stores = append(f.Stores, x)
	}
	if s.letters != nil && f.LedgerUp {
		f.Letters = &metrics.Letters{Waiting: counts.Waiting, Failed: counts.Failed}
		if next, err := s.letters.Next(ctx); err == nil {
			f.Letters.Next = next
		}
	}
	return f
}

func (s *parts) storeFacts(st config.Store, known ledger.Store, state schedule.State) metrics.Store {
	x := metrics.Store{Name: st.Name, Seen: known.Seen, Listed: s.watcher.Listed(st.Name), Promise: time.Duration(st.ReadWithin),
		Next: state.Next, LastRun: state.LastRun, LastOK: state.LastOK, Missed: state.Missed, Running: state.Running, Trouble: state.Trouble != "",
		BackedUp: st.Manifests && st.Kind == config.Disk, Credential: clouds.SignInEnds(st)}
	x.Visiting = s.visits.is(st.Name)
	for _, r := range known.Roots {
		x.Sets = append(x.Sets, metrics.Set{Name: r.Set, Complete: r.ListedAt})
	}
	if o, ok := s.survey.of(st.Name); ok {
		x.Counted, x.Held, x.Within, x.NeverRead, x.Oldest, x.Broken = true, o.Files, o.Within, o.NeverRead, o.Oldest, o.Forecast.Broken
	}
	return x
}
