package app

import "sync"

// did counts what was read of each store since the archive was opened, and how often the store asked
// to be left alone for a while.
type did struct {
	mu    sync.Mutex
	bytes map[string]int64
	again map[string]int64
}

func (d *did) read(store string, n int64) { d.add(&d.bytes, store, n) }
func (d *did) held(store string)          { d.add(&d.again, store, 1) }

func (d *did) add(to *map[string]int64, store string, n int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	if *to == nil {
		*to = map[string]int64{}
	}
	(*to)[store] += n
}

// of is what was counted of a store.
func (d *did) of(store string) (bytes, held int64) {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.bytes[store], d.again[store]
}
