package database

import (
	"context"
	"database/sql"
	"database/sql/driver"
	"errors"
)

// MaxKept is maxKept.
const MaxKept = maxKept

// Kept is how many statements the writing connection keeps.
func (d *DB) Kept(ctx context.Context) (n int, err error) {
	c, err := d.w.Conn(ctx)
	if err != nil {
		return 0, err
	}
	defer c.Close()
	err = c.Raw(func(c any) error {
		n = len(c.(*keeper).kept)
		return nil
	})
	return n, err
}

// Waits says how long a commit waits for the drive: 2 is to its end (SQLite,
// PRAGMA synchronous).
func (d *DB) Waits(ctx context.Context) (n int, err error) {
	err = d.w.QueryRowContext(ctx, `PRAGMA synchronous`).Scan(&n)
	return n, err
}

// Empties says of a commit, and of what brings the write-ahead log into the database, whether
// it has the drive empty its own cache, too, where that is asked for besides (SQLite, PRAGMA
// fullfsync, PRAGMA checkpoint_fullfsync).
func (d *DB) Empties(ctx context.Context) (commit, checkpoint bool, err error) {
	if err = d.w.QueryRowContext(ctx, `PRAGMA fullfsync`).Scan(&commit); err == nil {
		err = d.w.QueryRowContext(ctx, `PRAGMA checkpoint_fullfsync`).Scan(&checkpoint)
	}
	return commit, checkpoint, err
}

// Connect makes n connections at once, and gives the last error.
func (d *DB) Connect(ctx context.Context, n int) (last error) {
	for range n {
		c, err := d.r.Conn(ctx)
		if err == nil {
			err = c.PingContext(ctx)
			defer c.Close()
		}
		last = err
	}
	return last
}

// GiveUp has both pools give up the connections that are idle, as they do with one whose
// transaction couldn't be ended.
func (d *DB) GiveUp(ctx context.Context) error {
	for _, pool := range []*sql.DB{d.w, d.r} {
		for pool.Stats().Idle > 0 {
			c, err := pool.Conn(ctx)
			if err != nil {
				return err
			}
			if err := c.Raw(func(any) error { return driver.ErrBadConn }); !errors.Is(err, driver.ErrBadConn) {
				return err
			}
		}
	}
	return nil
}
