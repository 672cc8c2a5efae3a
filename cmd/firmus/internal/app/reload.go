package app

import (
	"context"
	"fmt"
	"net"

	"firmus/fixity"
)

// prepareReload opens all that a new configuration needs, beside the old one. The
// listener is nil if the address is as it was.
func (d *Daemon) prepareReload(ctx context.Context, old *session) (*session, net.Listener, error) {
	cfg, err := d.o.Load()
	if err != nil {
		return nil, nil, err
	}
	was := old.a.Config
	if cfg.State != was.State || cfg.Ledger.URL != was.Ledger.URL {
		return nil, nil, fmt.Errorf("another state folder or ledger needs a restart: %w", fixity.ErrRefused)
	}
	s, err := prepare(ctx, d, cfg)
	if err != nil {
		return nil, nil, err
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
