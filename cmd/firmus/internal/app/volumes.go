package app

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/policy"
	"firmus/replicas/disk"
)

// CheckVolumes tells which stores lie on one volume and count as one copy. a is nil
// where there is no ledger yet: then only what is there now is told. It changes nothing.
func CheckVolumes(ctx context.Context, c *config.Config, a *App) ([]policy.Shared, error) {
	if a != nil {
		return a.Acts.CheckVolumes(ctx)
	}
	rules, _, err := rulesOf(c)
	if err != nil {
		return nil, err
	}
	seen := map[policy.RootOf]fixity.Lies{}
	for _, s := range c.Stores {
		for _, r := range s.Sets {
			if s.Kind != config.Disk {
				continue
			}
			d, err := disk.Open(r.Path, disk.Options{Store: s.Name})
			if err != nil {
				continue
			}
			rootCtx, cancel := context.WithTimeoutCause(ctx, 10*time.Second, fixity.ErrAway)
			if l, err := d.Volume(rootCtx); err == nil {
				seen[policy.RootOf{Store: s.Name, Set: r.Set}] = l
			}
			cancel()
		}
	}
	return rules.OnVolumes(policy.VolumesOf(nil, seen, ledger.NewID)).Shared(), nil
}
