//go:build !linux

package disk

func traffic(string) (all, ours int64, ok bool) { return 0, 0, false }
