package stores

import (
	"context"
	"sync"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
)

// lookFor is how long stores may take to say where they lie. One that takes longer may be asleep:
// that alone doesn't make it away.
const lookFor = 10 * time.Second

// Lie asks every root on a file system where it lies now, all stores at once; those that
// aren't there are left out.
func (s Stores) Lie(ctx context.Context) map[care.RootOf]fixity.Lies {
	ctx, cancel := context.WithTimeoutCause(ctx, lookFor, fixity.ErrAway)
	defer cancel()
	var mu sync.Mutex
	var wg sync.WaitGroup
	out := map[care.RootOf]fixity.Lies{}
	for _, rule := range s.Rules.Stores {
		if rule.Kind != diskKind {
			continue
		}
		wg.Go(func() {
			for _, set := range rule.Sets {
				root, err := s.Root(rule.Name, set, fixity.Bypassed)
				if err != nil {
					continue
				}
				if l, err := root.(Lies).Volume(ctx); err == nil {
					mu.Lock()
					out[care.RootOf{Store: rule.Name, Set: set}] = l
					mu.Unlock()
				}
			}
		})
	}
	wg.Wait()
	return out
}
