package app

import (
	"context"
	"fmt"
	"net"
	"slices"

	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// prepareReload opens all that a new configuration needs, beside the old one. The
// listener is nil if the address is as it was.
func (d *Daemon) prepareReload(ctx context.Context, old *parts, cfg *config.Config) (*parts, net.Listener, error) {
	was := old.a.Config
	if cfg.State != was.State || cfg.Ledger.URL != was.Ledger.URL {
		return nil, nil, fmt.Errorf("another state folder or ledger needs a restart: %w", fixity.ErrRefused)
	}
	if (cfg.Web.Certificate == "") != (was.Web.Certificate == "") && cfg.Web.Listen == was.Web.Listen {
		return nil, nil, fmt.Errorf("to begin or end TLS at the same address needs a restart: %w", fixity.ErrRefused)
	}
	s, err := prepare(ctx, d, cfg)
	if err != nil {
		return nil, nil, err
	}
	if s.a.Host != nil {
		if err := s.a.Host.MayJoin(ctx); err != nil {
			s.a.Close()
			return nil, nil, err
		}
	}
	for _, j := range s.runner.Jobs {
		if j.Bad != nil {
			s.a.Close()
			return nil, nil, fmt.Errorf("store %s: %w", j.Store, j.Bad)
		}
	}
	if cfg.Web.Listen == was.Web.Listen {
		return s, nil, nil
	}
	l, err := net.Listen("tcp", cfg.Web.Listen)
	if err != nil {
		s.a.Close()
		return nil, nil, err
	}
	return s, l, nil
}

// sameStores says whether the stores that the parts use are those that the ledger says are in
// use: a command may have retired one, or taken one up again.
func (s *parts) sameStores(ctx context.Context) (same bool, err error) {
	var retired []string
	if err := s.a.Ledger.View(ctx, func(t *ledger.Tx) (err error) { retired, err = t.Stores.Retired(); return err }); err != nil {
		return false, err
	}
	used := slices.DeleteFunc(s.configured.StoreNames(), func(n string) bool { return slices.Contains(retired, n) })
	return slices.Equal(used, s.a.Config.StoreNames()), nil
}
