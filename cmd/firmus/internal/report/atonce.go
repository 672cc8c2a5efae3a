package report

import (
	"fmt"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// AtOnce says how many hosts read a store at the same time, and where that comes from: from the
// configuration if it sets a number, else from what was measured.
func AtOnce(b ledger.Bearing, configured int) string {
	up := func(n int) string {
		if n == 1 {
			return "one host at a time"
		}
		return fmt.Sprintf("up to %d hosts at the same time", n)
	}
	switch {
	case configured > 0:
		return up(configured) + ", as the configuration says"
	case b.State == "":
		return up(2) + " until it is measured how many the store bears, while they read it"
	case b.Why == fixity.BoundOpen:
		return up(b.N) + ", for now: it is being measured how many the store bears"
	case b.Why == fixity.BoundSpindle:
		return "one host at a time: the store's drive has a spindle"
	}
	why := map[fixity.Bound]string{
		fixity.BoundGain:    fmt.Sprintf("%d together read hardly more", b.Tried),
		fixity.BoundHosts:   "no more had the store",
		fixity.BoundRefused: fmt.Sprintf("with %d the store asked to be left alone, or gave no answer", b.Tried),
	}[b.Why]
	return fmt.Sprintf("%s, as was measured %s: %s", up(b.N), b.At.Local().Format("2 Jan 2006"), why)
}
