package cloud

import (
	"errors"
	"fmt"
)

// The bounds of following pages. A folder and a shared drive hold 500,000 things at most
// by the guides "Folder limits" and "Shared drive limits"; of a log of changes nothing
// is said.
const (
	holds     = 1_000_000  // things in a folder or shared drive, with room to grow
	logHolds  = 10_000_000 // things that a log names
	idlePages = 200        // pages in a row that may be empty
)

// pager follows the pages of one answer, and says when they don't end. Pages that bring
// the same things again and again end when there are more than there can be.
type pager struct {
	most int // things that there may be
	n    int // that were named
	idle int
	seen map[string]bool
}

func newPager(most int) *pager { return &pager{most: most, seen: map[string]bool{}} }

// next goes on to the page of a token, after one with n things. It fails if that page was
// there before, if the pages name more than there can be, and if they name nothing for
// too long.
func (p *pager) next(token string, n int) error {
	p.n += n
	if p.idle++; n > 0 {
		p.idle = 0
	}
	switch {
	case p.seen[token]:
		return errors.New("the service gives the same page over and over")
	case p.n > p.most:
		return fmt.Errorf("the service's pages don't end: they named %d things, and there can be %d at most", p.n, p.most)
	case p.idle >= idlePages:
		return fmt.Errorf("the service's pages don't end: there was nothing on %d in a row", p.idle)
	}
	p.seen[token] = true
	return nil
}
