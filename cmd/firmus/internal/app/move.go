package app

import (
	"context"
	"errors"
	"fmt"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/hosts"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Embedded is where a ledger is moved to that is to be a file in the state folder.
const Embedded = "embedded"

// MoveLedger moves the ledger of a configuration to another place: a URL of PostgreSQL's, or
// Embedded. Nobody may have it open meanwhile (fixity.ErrBusy).
func MoveLedger(ctx context.Context, c *config.Config, to, by string, now time.Time) (m ledger.Moved, err error) {
	rules, _, err := rulesOf(c)
	if err != nil {
		return m, err
	}
	if err := mayRead(c.State); err != nil {
		return m, err
	}
	at := func(url string) ledger.Options {
		return ledger.Options{Path: ledgerFile(c), URL: url, State: c.State, Rules: rules, Now: now, By: by, Zone: time.Local, TakesUp: true}
	}
	from, goal := at(c.Ledger.URL), at(to)
	if to == Embedded {
		if goal.Host, err = hostName(c); err != nil {
			return m, err
		}
		goal.URL = ""
	}
	if from.URL == goal.URL {
		return m, fmt.Errorf("the ledger is there already, by %s: %w", c.File, fixity.ErrRefused)
	}
	unlock, err := ledger.LockState(c.State, true)
	if err != nil {
		return m, fmt.Errorf("%w. Stop the daemon first", err)
	}
	defer unlock()
	begun, err := ledger.Begun(ctx, from)
	if err != nil {
		return m, err
	}
	if !begun {
		return m, fmt.Errorf("there is no ledger to be moved: %w", fixity.ErrNotFound)
	}
	if from.URL != "" {
		if err := noneRuns(ctx, from); err != nil {
			return m, err
		}
	}
	return ledger.Move(ctx, from, goal, now)
}

// noneRuns refuses to move a ledger that hosts work with.
func noneRuns(ctx context.Context, o ledger.Options) error {
	l, err := ledger.Open(ctx, o)
	if errors.Is(err, ledger.ErrMoved) {
		return nil // only the last step is to be done
	}
	if err != nil {
		return err
	}
	defer l.Close()
	running, err := hosts.Running(ctx, l)
	if err != nil || len(running) == 0 {
		return err
	}
	var names []string
	for _, h := range running {
		names = append(names, h.Name)
	}
	return fmt.Errorf("the ledger is %w: hosts that share it run: %s. Stop them first", fixity.ErrBusy, strings.Join(names, ", "))
}
