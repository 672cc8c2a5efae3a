package main

import (
	"context"

	"firmus/cmd/firmus/internal/app"
)

// checkHosts says what this computer would do beside the others that share its ledger, and
// what none of them can.
func (c *command) checkHosts(ctx context.Context, a *app.App) ([]checkLine, error) {
	does, idle, wrong, err := a.CheckHosts(ctx)
	if err != nil || does == "" {
		return nil, err
	}
	lines := []checkLine{lineOf("host", does, true, note, idle)}
	for _, text := range wrong {
		lines = append(lines, lineOf("hosts", text, false, isOK, true))
	}
	return lines, nil
}
