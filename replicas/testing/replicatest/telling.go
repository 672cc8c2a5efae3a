package replicatest

import (
	"context"

	"firmus/fixity"
	"firmus/replicas/disk"
)

// Telling is a root whose file system tells that the drive itself was read. Of some, such as
// one in memory or that of a container, nobody knows; what a test is about is told all the same.
type Telling struct{ *disk.Dir }

// Open is that of the root.
func (t Telling) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	r, err := t.Dir.Open(ctx, e, offset)
	return told(r), err
}

// Begin is that of the root.
func (t Telling) Begin(ctx context.Context, path string) (fixity.Entry, fixity.Reader, error) {
	e, r, err := t.Dir.Begin(ctx, path)
	return e, told(r), err
}

func told(r fixity.Reader) fixity.Reader {
	if r == nil {
		return nil
	}
	return telling{r}
}

type telling struct{ fixity.Reader }

func (r telling) Cache() fixity.Cache {
	if c := r.Reader.Cache(); c != fixity.Unknown {
		return c
	}
	return fixity.Bypassed
}
