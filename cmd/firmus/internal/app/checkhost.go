package app

import (
	"context"
	"errors"
	"fmt"
	"net"
	"os"
	"path/filepath"
	"time"

	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/outlook"
	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
)

// CheckListen says whether a daemon runs, and whether the address for pages and metrics
// can be had. The daemon that has it is no trouble. unseen says that there is a ledger, or may be,
// and it can't be looked into: then nobody knows whose address it is.
func CheckListen(ctx context.Context, cfg *config.Config, a *App, unseen bool) []outlook.Check {
	runs := outlook.Check{What: "daemon", OK: true, Detail: "runs"}
	none := outlook.Check{What: "daemon", OK: true, Unset: true, Detail: `none runs: nothing is audited by itself, and no letter is sent. "firmus serve" starts one, "firmus service install" has the system start it`}
	unknown := outlook.Check{What: "daemon", OK: true, Unknown: true, Detail: "whether one runs stands in the ledger, which can't be opened now"}
	c := outlook.Check{What: "address " + cfg.Web.Listen, OK: true, Detail: "free"}
	if cfg.Web.Listen == "" {
		c = outlook.Check{What: "address", OK: true, Unset: true, Detail: "[web] listen is empty: no pages and no metrics are served"}
		switch {
		case unseen:
			return []outlook.Check{unknown, c}
		case daemonHas(ctx, cfg, a):
			return []outlook.Check{runs, c}
		}
		return []outlook.Check{none, c}
	}
	l, err := net.Listen("tcp", cfg.Web.Listen)
	for try := 0; err != nil && try < 5; try++ { // another one may be just looking, too
		time.Sleep(100 * time.Millisecond)
		l, err = net.Listen("tcp", cfg.Web.Listen)
	}
	if err == nil {
		l.Close()
		return []outlook.Check{none, c}
	}
	if unseen {
		c.Unknown, c.Detail = true, "something answers there: the daemon, or another program"
		return []outlook.Check{unknown, c}
	}
	if daemonHas(ctx, cfg, a) {
		c.Detail = "the daemon has it"
		return []outlook.Check{runs, c}
	}
	c.OK, c.Detail = false, fmt.Sprintf("pages and metrics can't be served: %v", err)
	return []outlook.Check{none, c}
}

// daemonHas says that the archive's daemon runs on this computer: it holds its lock. It
// is asked only where there is another sign of one, so that a daemon that starts is not
// kept out by the question.
func daemonHas(ctx context.Context, cfg *config.Config, a *App) bool {
	if a == nil {
		return false
	}
	unlock, err := a.Ledger.LockOwn(ctx, daemonLock(cfg), "firmus check", 0, time.Now)
	if err == nil {
		unlock()
	}
	return errors.Is(err, fixity.ErrBusy)
}

// daemonLock names the lock of the one daemon of an archive on a computer. Several
// computers may share a ledger, each with a daemon.
func daemonLock(cfg *config.Config) string {
	name := "daemon"
	if cfg.Ledger.URL != "" {
		name += "." + HostName(cfg)
	}
	return name
}

// leastRoom is how much room the ledger's drive must have left: some months of
// events and a snapshot.
const leastRoom = 100 << 20

// Nearest is a folder, or the nearest above it if it isn't there.
func Nearest(dir string) string {
	for up := ""; ; dir = up {
		up = filepath.Dir(dir)
		if _, err := os.Stat(dir); err == nil || up == dir {
			return dir
		}
	}
}

// CheckRoom says whether the ledger can be written to, and has room to grow.
func (a *App) CheckRoom(ctx context.Context) outlook.Check {
	c := outlook.Check{What: "ledger, writing", OK: true}
	if err := a.Ledger.Tx(ctx, time.Now(), func(*ledger.Tx) error { return nil }); err != nil {
		c.OK, c.Detail = errors.Is(err, fixity.ErrBusy), err.Error()
		return c
	}
	free := disk.FreeBytes(Nearest(a.Config.State))
	switch {
	case free >= 0 && free < leastRoom:
		c.OK, c.Detail = false, fmt.Sprintf("only %s are left on the drive of %s", report.Size(free), a.Config.State)
	case free >= 0 && a.Ledger.Shared():
		c.Detail = fmt.Sprintf("can be written to; %s are left on the drive of %s. How much room the database has isn't known here", report.Size(free), a.Config.State)
	case free >= 0:
		c.Detail = fmt.Sprintf("can be written to; %s are left on its drive", report.Size(free))
	}
	return c
}
