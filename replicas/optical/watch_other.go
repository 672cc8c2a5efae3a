//go:build !linux

package optical

import (
	"context"
	"errors"

	"firmus/fixity"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
)

// events: no system but Linux tells.
func events(context.Context, string) <-chan bool { return nil }

func ask(ctx context.Context, path string) look {
	dev, err := scsi.Open(path)
	switch {
	case errors.Is(err, fixity.ErrAway):
		return look{presence: NoDrive}
	case err != nil:
		return look{}
	}
	defer dev.Close()
	return look{presence: presence(ctx, mmc.New(dev))}
}
