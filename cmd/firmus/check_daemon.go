package main

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
)

// checkDaemon says what would keep the daemon from its work: the ledger's drive, its
// address, schedules, promises. a is nil while there is no ledger.
func (c *command) checkDaemon(ctx context.Context, cfg *config.Config, a *app.App) ([]checkLine, error) {
	now := time.Now()
	all := []app.Check{app.CheckListen(ctx, cfg, a)}
	if a != nil {
		all = append(all, a.CheckRoom(ctx))
	}
	all = append(all, app.CheckSchedules(cfg, now)...)
	if a != nil {
		more, err := a.CheckDaemon(ctx, now)
		if err != nil {
			return nil, err
		}
		all = append(all, more...)
	}
	var out []checkLine
	for _, x := range all {
		out = append(out, checkLine{What: x.What, OK: x.OK, Detail: x.Detail})
	}
	return out, nil
}
