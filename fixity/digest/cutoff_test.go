package digest_test

import (
	"context"
	"errors"
	"io"
	"testing"

	"firmus/fixity"
	"firmus/fixity/digest"
)

// cutOff gives some bytes, and then the error with which its context ends.
type cutOff struct {
	ctx  context.Context
	left int
	end  func()
}

func (c *cutOff) Read(b []byte) (int, error) {
	if c.left <= 0 {
		c.end()
		return 0, c.ctx.Err()
	}
	n := min(len(b), c.left)
	c.left -= n
	return n, nil
}

// A reader that fails because its context has ended, while Read leaves it for the same
// reason: the hashing is ended once.
func TestReaderEndsWithItsContext(t *testing.T) {
	for range 300 {
		ctx, cancel := context.WithCancel(t.Context())
		var r io.Reader = &cutOff{ctx, 5 << 20, cancel}
		s, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}}.Read(ctx, r)
		if !errors.Is(err, context.Canceled) {
			t.Fatalf("%v, %+v", err, s)
		}
	}
}
