package main

import (
	"context"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/outlook"
)

// checkDaemon says what would keep the daemon from its work: the ledger's drive, its
// address, schedules, promises. a is nil while there is no ledger; unseen says that there may be
// one, which can't be opened.
func (c *command) checkDaemon(ctx context.Context, cfg *config.Config, a *app.App, unseen bool) ([]checkLine, error) {
	now := time.Now()
	all := app.CheckListen(ctx, cfg, a, unseen)
	if a != nil {
		all = append(all, a.CheckRoom(ctx))
	}
	all = append(all, outlook.Schedules(cfg, now)...)
	if a != nil {
		more, err := outlook.Checks(ctx, a.Ledger, cfg, now)
		if err != nil {
			return nil, err
		}
		all = append(all, more...)
	}
	var out []checkLine
	for _, x := range all {
		m := notSetUp
		if x.Unknown {
			m = notTried
		}
		out = append(out, lineOf(x.What, x.Detail, x.OK, m, x.Unset || x.Unknown))
	}
	return out, nil
}
