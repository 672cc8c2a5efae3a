package acts

import (
	"context"
	"errors"
	"fmt"
	"io"

	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// Hear lets a person listen to a copy: do gets its bytes at any place while the store is in
// use beside whatever else uses it, within its rate and, of a service, its daily bytes. The
// bytes come past the page cache. Nothing is recorded, and nothing adopted: it fails with
// fixity.ErrAway if the store isn't there or another lies in its place, and with
// fixity.ErrVanished if nothing lies where the copy should.
func (e Acts) Hear(ctx context.Context, c ledger.Copy, do func(ctx context.Context, r io.ReaderAt, size int64) error) error {
	known, err := e.Stores().Known(ctx, c.Store)
	if err != nil {
		return err
	}
	return e.UseBeside(ctx, c.Store, func(ctx context.Context, u *stores.Used) error {
		root, err := u.Root(c.Set, fixity.Bypassed)
		if err != nil {
			return err
		}
		id, err := root.Identify(ctx)
		if err != nil {
			return err
		}
		if known.Identity != "" && id.Store != known.Identity && (id.Marked() || !e.NoMarker(c.Store)) {
			return fmt.Errorf("%w: what lies at its place isn't this store", fixity.ErrAway)
		}
		x, err := root.Stat(ctx, c.At)
		if err != nil {
			return err
		}
		if x.Type != fixity.File {
			return fmt.Errorf("%w: no file of bytes lies at its place", fixity.ErrVanished)
		}
		r := &anywhere{open: func(at int64) (fixity.Reader, error) { return root.Open(ctx, x, at) }, size: x.Size}
		defer r.close()
		return do(ctx, r, x.Size)
	})
}

// ahead is how much is read in vain to reach a place rather than open the file there.
const ahead = 256 << 10

// anywhere reads a store's file at any place. A store gives what comes from a place on, so
// it goes on where it is if the next place isn't far, and opens the file anew if it is.
type anywhere struct {
	open func(at int64) (fixity.Reader, error)
	size int64
	in   fixity.Reader
	at   int64
}

func (r *anywhere) ReadAt(p []byte, at int64) (int, error) {
	if at >= r.size {
		return 0, io.EOF
	}
	if r.in != nil && at >= r.at && at-r.at <= ahead {
		n, err := io.CopyN(io.Discard, r.in, at-r.at)
		if r.at += n; err != nil {
			r.close()
		}
	} else {
		r.close()
	}
	if r.in == nil {
		in, err := r.open(at)
		if err != nil {
			return 0, err
		}
		r.in, r.at = in, at
	}
	n, err := io.ReadFull(r.in, p[:min(int64(len(p)), r.size-at)])
	r.at += int64(n)
	if errors.Is(err, io.ErrUnexpectedEOF) {
		err = io.EOF
	}
	if err != nil {
		r.close()
	} else if n < len(p) {
		err = io.EOF
	}
	return n, err
}

func (r *anywhere) close() {
	if r.in != nil {
		r.in.Close()
		r.in = nil
	}
}
