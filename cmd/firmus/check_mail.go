package main

import (
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// checkMail says what would keep letters from leaving. a is nil where there is no
// ledger yet. With send a test letter goes to everybody; once the server takes it,
// letters that it refused before are tried again.
func (c *command) checkMail(ctx context.Context, cfg *config.Config, a *app.App, send bool) ([]checkLine, error) {
	l, err := app.TestLetters(cfg, time.Now)
	if errors.Is(err, fixity.ErrNotFound) {
		return []checkLine{lineOf("letters", "no [mail] in the configuration: Firmus writes to nobody. Only a program that watches /metrics could tell somebody", !send, notSetUp, true)}, nil
	}
	if err != nil {
		return nil, err
	}
	line := lineOf("letters", "through "+cfg.Mail.Server+"; only a test letter shows whether it works", true, notTried, true)
	if cfg.Mail.User != "" {
		if err := app.CheckPassword(cfg); err != nil {
			line = lineOf("letters", fmt.Sprintf("through %s: password: %v", cfg.Mail.Server, err), false, notTried, false)
		}
	}
	lines := []checkLine{line}
	took := false
	if send {
		lines = lines[:0]
		tried, err := l.Test(ctx)
		if err != nil {
			return nil, err
		}
		for _, t := range tried {
			text := "taken by " + cfg.Mail.Server + "; look whether it has come"
			if t.Trouble != "" {
				text = t.Trouble
			}
			x := lineOf("test letter to "+t.Address, text, t.Trouble == "", isOK, true)
			took = took || x.OK
			lines = append(lines, x)
		}
	}
	if a == nil {
		return lines, nil
	}
	if l, err = a.Letters(nil); err != nil {
		return nil, err
	}
	n, err := l.Counts(ctx)
	if err != nil {
		return nil, err
	}
	if n.Waiting+n.Failed == 0 {
		return lines, nil
	}
	x := lineOf("outbox", fmt.Sprintf("%s waiting, the oldest since %s; %s refused by the server", fixity.Count(n.Waiting, "letter"), report.Local(n.Oldest), fixity.Number(n.Failed)), false, isOK, true)
	if n.Waiting == 0 {
		x.Detail = fmt.Sprintf("%s refused by the server", fixity.Count(n.Failed, "letter"))
	}
	if n.Trouble != "" {
		x.Detail += ": " + n.Trouble
	}
	if took {
		again, err := l.Retry(ctx)
		if err != nil {
			return nil, err
		}
		x.Detail += fmt.Sprintf(". %s tried again when the daemon sends next", fixity.Count(again, "letter"))
	}
	return append(lines, x), nil
}
