package app

import (
	"context"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// placeOf is where the ledger of a configuration is, or was.
func placeOf(c *config.Config) (backups.Place, error) {
	rules, litter, err := rulesOf(c)
	if err != nil {
		return backups.Place{}, err
	}
	p := backups.Place{State: c.State, Ledger: ledgerFile(c), Tools: c.Ledger.URL != ""}
	if p.Tools {
		p.Ledger = "the database of [ledger] url"
	}
	p.Stores = stores.Stores{Rules: rules, Turns: &stores.Turns{}, Where: func(store, set string) string { return rootOf(c, store, set) },
		Open: func(store, set string, cache fixity.Cache) (stores.Root, error) {
			s, _ := c.Store(store)
			return disk.Open(rootOf(c, store, set), disk.Options{Store: store, Marker: s.Marker, Cache: cache, LeaveOut: litter[set].Match})
		}}
	return p, nil
}

// mayBegin refuses to begin a ledger where something lies of an earlier one.
func mayBegin(ctx context.Context, c *config.Config, lo ledger.Options) error {
	begun, err := ledger.Begun(ctx, lo)
	if err != nil || begun {
		return err
	}
	p, err := placeOf(c)
	if err != nil {
		return err
	}
	return p.MayBegin(ctx)
}

// Restore brings a lost or broken ledger back from a backup in a store, as
// backups.Restore says. The order's place is that of the configuration.
func Restore(ctx context.Context, c *config.Config, o backups.RestoreOrder) (res backups.Restored, err error) {
	if o.Place, err = placeOf(c); err != nil {
		return res, err
	}
	if err := mayRead(c.State); err != nil {
		return res, err
	}
	return backups.Restore(ctx, o)
}
