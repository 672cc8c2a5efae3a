package ledger

import (
	"context"
	"time"
)

// Soon is soon.
func (l *Ledger) Soon(ctx context.Context, fn func(*Tx) error) error {
	return l.soon(ctx, time.Unix(0, 0), fn)
}

// Waits says how long a commit waits for the drive: 2 is to its end (SQLite,
// PRAGMA synchronous).
func (l *Ledger) Waits(ctx context.Context) (n int, err error) {
	err = l.w.QueryRowContext(ctx, `PRAGMA synchronous`).Scan(&n)
	return n, err
}
