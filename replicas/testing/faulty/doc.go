// Package faulty wraps a store of any kind and does to it what happens to stores:
// an operation fails or hangs, bytes flip, a read stops short, two readings
// differ, the store goes away. The same faults on the same calls give the same
// results: nothing here is by chance. It is for tests only, and never changes what
// the wrapped store holds.
package faulty
