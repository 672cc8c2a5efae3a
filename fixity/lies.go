package fixity

// Lies is where a folder was just seen to lie.
type Lies struct {
	// Device is equal for folders on one file system. It is good only while both are
	// there, and is never kept; "" if it isn't known.
	Device string
	// ID is the file system's own id, which stays the same when it is mounted again; ""
	// if it has none.
	ID string
	// Vague says that the system doesn't tell what the folder really lies on.
	Vague bool
}
