package hosts

import (
	"context"
	"log/slog"
)

// plain says in our words that the library that hands out jobs has trouble, and keeps its own
// beside them: they name its parts, which nobody knows who runs a daemon. It goes on by itself:
// while the database is away it tries again.
type plain struct{ slog.Handler }

// Handle implements slog.Handler.
func (p plain) Handle(ctx context.Context, r slog.Record) error {
	out := slog.NewRecord(r.Time, r.Level, "handing out jobs among the hosts failed; tried again", r.PC)
	out.AddAttrs(slog.String("library", r.Message))
	r.Attrs(func(a slog.Attr) bool { out.AddAttrs(a); return true })
	return p.Handler.Handle(ctx, out)
}

// WithAttrs implements slog.Handler.
func (p plain) WithAttrs(as []slog.Attr) slog.Handler { return plain{p.Handler.WithAttrs(as)} }

// WithGroup implements slog.Handler.
func (p plain) WithGroup(name string) slog.Handler { return plain{p.Handler.WithGroup(name)} }
