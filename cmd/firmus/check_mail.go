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
		return []checkLine{{What: "letters", OK: !send, Detail: "no [mail] in the configuration: nobody is told of anything"}}, nil
	}
	if err != nil {
		return nil, err
	}
	line := checkLine{What: "letters", OK: true, Detail: "through " + cfg.Mail.Server + "; \"firmus check --mail\" sends one to try"}
	if cfg.Mail.User != "" {
		if err := app.CheckPassword(cfg); err != nil {
			line.OK, line.Detail = false, fmt.Sprintf("through %s: password: %v", cfg.Mail.Server, err)
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
			x := checkLine{What: "test letter to " + t.Address, OK: t.Trouble == "", Detail: "taken by " + cfg.Mail.Server + "; whether it has come, look there"}
			if t.Trouble != "" {
				x.Detail = t.Trouble
			}
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
	x := checkLine{What: "outbox", Detail: fmt.Sprintf("%s waiting, the oldest since %s; %s refused by the server", report.Count(n.Waiting, "letter"), report.Local(n.Oldest), report.Number(n.Failed))}
	if n.Waiting == 0 {
		x.Detail = fmt.Sprintf("%s refused by the server", report.Count(n.Failed, "letter"))
	}
	if n.Trouble != "" {
		x.Detail += ": " + n.Trouble
	}
	if took {
		again, err := l.Retry(ctx)
		if err != nil {
			return nil, err
		}
		x.Detail += fmt.Sprintf(". %s tried again when the daemon sends next", report.Count(again, "letter"))
	}
	return append(lines, x), nil
}
