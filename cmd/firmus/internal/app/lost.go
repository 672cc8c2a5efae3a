package app

import (
	"context"
	"errors"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/acts/backups"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/letters"
	"firmus/fixity"
)

// tellLost sends a letter that the ledger is gone, if any are sent.
func (d *Daemon) tellLost(ctx context.Context, cfg *config.Config, err error) {
	if !backups.IsLost(err) {
		return
	}
	l, err2 := TestLetters(cfg, time.Now)
	if errors.Is(err2, fixity.ErrNotFound) {
		return
	}
	if err2 == nil {
		var tried []letters.Tried
		if tried, err2 = l.Alarm(ctx, "URGENT: Firmus finds no ledger", append([]string{"Firmus watches over nothing. The recordings are as they were."},
			strings.Split(err.Error(), "\n")...)...); err2 == nil {
			for _, t := range tried {
				d.o.Log.Info("a letter says that the ledger is gone", "to", t.Address, "trouble", t.Trouble)
			}
			return
		}
	}
	d.o.Log.Error("no letter could say that the ledger is gone", "error", err2)
}
