package app

import (
	"cmp"
	"context"
	"errors"
	"fmt"
	"time"

	"firmus/cmd/firmus/internal/acts/archive"
	"firmus/cmd/firmus/internal/acts/reading"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// RegisterSource is where the configuration says that the register comes from.
func RegisterSource(c *config.Config) reading.Source {
	if c.Register == nil {
		return reading.Source{}
	}
	return reading.Source{From: c.Register.From(), Sets: c.Register.Sets, Settings: RegisterSettings(c.Register),
		Read: func(ctx context.Context) (register.Table, fixity.Digest, error) { return RegisterTable(ctx, c) }}
}

// Register is what can be ordered about the register.
func (a *App) Register() reading.Acts { return a.registerOf(a.Acts.Archive) }

func (a *App) registerOf(e *archive.Archive) reading.Acts {
	return reading.Of(e, RegisterSource(a.Config))
}

// restrictsItems says that the register has a column for what isn't for everybody.
func restrictsItems(c *config.Config) bool {
	if c.Register == nil {
		return false
	}
	for _, w := range c.Register.Columns {
		if w.Word == "restricted" {
			return true
		}
	}
	return false
}

// How often the register's file is looked at, how long it must have been at rest before it is
// read, and after how long it is read whether it changed or not.
const (
	registerLook  = time.Minute
	registerRest  = time.Minute
	registerNight = 24 * time.Hour
)

// followRegister reads the register when its file has changed and is at rest, and once a
// day: what it is held against changes too. It is read at the start if file or configuration
// changed since: what a column or a word means may be another thing now. One that couldn't be
// read is tried again when it changes, and after a day.
func (s *parts) followRegister() {
	g := s.a.Config.Register
	if g == nil {
		return
	}
	configured := signOfRegister(s.ctx, s.a.Config.File).At
	var seen, tried workbook.Sign
	var since time.Time
	for ; ; s.pause(cmp.Or(s.d.o.Look, registerLook)) {
		if s.ctx.Err() != nil {
			return
		}
		now := signOfRegister(s.ctx, g.File)
		if now != seen {
			seen, since = now, time.Now()
		}
		var r fixity.RegisterReading
		if err := s.a.Ledger.View(s.ctx, func(t *ledger.Tx) (err error) { r, err = t.Register.Reading(); return err }); err != nil {
			continue
		}
		daily := time.Since(r.TriedAt) >= registerNight
		rested := time.Since(since) >= cmp.Or(s.d.o.Rest, registerRest)
		changed, other := seen != tried && rested, configured.After(r.TriedAt) && rested
		if tried == (workbook.Sign{}) && !r.TriedAt.IsZero() && !seen.At.After(r.TriedAt) {
			changed, tried = false, seen // it was read by an earlier run
		}
		if !daily && !changed && !other && !reading.Doubted(r, s.now()) {
			continue
		}
		tried, configured = seen, time.Time{}
		if s.a.Host == nil {
			s.readRegister()
		} else if err := s.a.Host.Ask(s.ctx, registerChore); err != nil && s.ctx.Err() == nil {
			s.log.Warn("no host could be asked to read the register; tried again", "error", err)
			tried = workbook.Sign{}
		}
	}
}

// signOfRegister is how a change of a file shows; the zero one of a document in the cloud.
func signOfRegister(ctx context.Context, path string) workbook.Sign {
	if path == "" {
		return workbook.Sign{}
	}
	return workbook.Look(ctx, path)
}

func (s *parts) readRegister() {
	r, err := s.a.registerOf(s.acts(false, false)).Read(s.ctx)
	switch {
	case s.ctx.Err() != nil:
	case err != nil:
		s.log.Warn("the register was not read; tried again when it changes, or in a day", "error", err)
	case r.Failed != nil:
		s.log.Warn("the register can't be read; what was read of it last stays in force", "why", r.Failed.Error())
	default:
		s.log.Info("the register was read", "rows", r.Reading.Rows, "changed", r.News, "version", r.Version.N, "problems", r.Reading.Open)
	}
}

// registerFacts are how the register stands; nil if none is configured.
func registerFacts(t *ledger.Tx, c *config.Config) (*metrics.Register, error) {
	if c.Register == nil {
		return nil, nil
	}
	r, err := t.Register.Reading()
	if err != nil {
		return nil, err
	}
	v, err := t.Register.Version(0)
	if err != nil && !errors.Is(err, fixity.ErrNotFound) {
		return nil, err
	}
	return &metrics.Register{Read: r.ReadAt, Changed: v.At, Failed: r.Trouble != "", Rows: r.Rows, Matched: r.Matched, Problems: r.Open}, nil
}

// CheckRegister says what would be read of the register tonight, and whether it could be.
func CheckRegister(ctx context.Context, c *config.Config) (says string, ok bool) {
	t, _, err := RegisterTable(ctx, c)
	if err != nil {
		return err.Error(), false
	}
	says = fmt.Sprintf("%s below line %d of %s", fixity.Count(len(t.Rows), "row"), t.Header, c.Register.From())
	if t.Sheet != "" {
		says += fmt.Sprintf(", sheet %q", t.Sheet)
	}
	var columns []string
	for _, f := range register.Fields {
		if h, has := t.Columns[f]; has {
			columns = append(columns, fmt.Sprintf("%s in %q", f, h))
		}
	}
	return says + ": " + fixity.And(columns), true
}
