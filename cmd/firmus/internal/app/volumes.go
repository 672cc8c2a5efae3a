package app

import (
	"context"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/config"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// CheckVolumes tells which stores lie on one volume and count as one copy. a is nil
// where there is no ledger yet: then only what is there now is told. It changes nothing.
func CheckVolumes(ctx context.Context, c *config.Config, a *App) ([]care.Shared, error) {
	rules, err := rulesNow(ctx, c, a)
	return rules.Shared(), err
}

// CheckBackups says that all backups of the ledger lie on one drive, or that there are
// none, and "" where they lie on several.
func CheckBackups(ctx context.Context, c *config.Config, a *App) (string, error) {
	if c.Ledger.URL != "" {
		return "", nil // the database's own tools make them
	}
	rules, err := rulesNow(ctx, c, a)
	if err != nil {
		return "", err
	}
	return backups.OneDrive(rules, func(store string) bool { s, _ := c.Store(store); return s.Marker }), nil
}

// rulesNow are the rules with where the stores lie now.
func rulesNow(ctx context.Context, c *config.Config, a *App) (care.Rules, error) {
	if a != nil {
		return a.Acts.RulesNow(ctx)
	}
	p, err := placeOf(c)
	if err != nil {
		return care.Rules{}, err
	}
	return p.Stores.Rules.OnVolumes(care.VolumesOf(nil, p.Stores.Lie(ctx), ledger.NewID)), nil
}
