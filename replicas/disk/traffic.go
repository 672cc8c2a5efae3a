package disk

// Traffic is how many bytes were read from a drive and written to it since the machine
// started, by whomever, and how many this process has asked for, of any drive. id is a
// Device's. ok is false where the system doesn't count that: of memory, of shares, and
// anywhere but on Linux.
func Traffic(id string) (all, ours int64, ok bool) { return traffic(id) }
