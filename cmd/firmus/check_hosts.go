package main

import (
	"context"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/fixity/ledger"
)

// checkHosts says what this computer would do beside the others that share its ledger, and
// what none of them can, by what was seen of the stores.
func (c *command) checkHosts(ctx context.Context, a *app.App, stores []acts.StoreCheck) ([]checkLine, error) {
	does, idle, wrong, err := a.CheckHosts(ctx, stores)
	if err != nil || does == "" {
		return nil, err
	}
	lines := []checkLine{lineOf("host", does, true, note, idle)}
	if a.Acts.ReadAtOnce != nil {
		if err := a.Ledger.View(ctx, func(t *ledger.Tx) error {
			for _, s := range a.Config.Stores {
				by, err := a.Acts.ReadAtOnce(t, s.Name)
				if err != nil {
					return err
				}
				if by != "" {
					lines = append(lines, lineOf("store "+s.Name, "read by "+by, true, isOK, true))
				}
			}
			return nil
		}); err != nil {
			return nil, err
		}
	}
	for _, text := range wrong {
		lines = append(lines, lineOf("hosts", text, false, isOK, true))
	}
	return lines, nil
}
