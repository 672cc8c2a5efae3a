package disk

import (
	"context"
	"fmt"
)

// Device is what the root lies on, as far as the system tells.
type Device struct {
	// ID is equal for roots on one drive, partitions of it included. It is good
	// until the machine starts again or the drive is unplugged: never store it.
	// "" if it isn't known.
	ID string
	// Rotational: it has a spindle, by the system's word, which is often wrong for
	// drives on USB. Meaningless unless Known.
	Rotational, Known bool
}

// Device asks what the root lies on. It fails with fixity.ErrAway without the
// root, and as Identify does otherwise.
func (d *Dir) Device(ctx context.Context) (Device, error) {
	dev, err := call(ctx, &d.stuck, func() (Device, error) {
		r, err := d.openRoot()
		if err != nil {
			return Device{}, err
		}
		defer r.Close()
		fi, err := r.Stat(".")
		if err != nil {
			return Device{}, awayOrDenied(err)
		}
		return deviceOf(d.root, fi), nil
	})
	if err != nil {
		return Device{}, fmt.Errorf("device of %s: %w", d.root, err)
	}
	return dev, nil
}
