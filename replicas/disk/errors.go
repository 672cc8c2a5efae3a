package disk

import (
	"errors"
	"fmt"
	"io/fs"
	"os"
	"syscall"

	"firmus/fixity"
)

// sentinel is the error of package fixity that says what err means when it
// comes from something below the root, nil if none does. errnoMeans knows the
// system's numbers.
func sentinel(err error) error {
	var errno syscall.Errno
	if errors.As(err, &errno) {
		if s := errnoMeans(errno); s != nil {
			return s
		}
	}
	switch {
	case errors.Is(err, fs.ErrNotExist):
		return fixity.ErrVanished
	case errors.Is(err, fs.ErrPermission):
		return fixity.ErrDenied
	}
	return nil
}

// plain takes the operation and the paths out of err: callers say them better.
func plain(err error) error {
	var p *fs.PathError
	if errors.As(err, &p) {
		return p.Err
	}
	var l *os.LinkError
	if errors.As(err, &l) {
		return l.Err
	}
	return err
}

// mapErr wraps err with its sentinel, if it has one. The system's own error
// stays in the chain.
func mapErr(err error) error {
	err = plain(err)
	s := sentinel(err)
	if s == nil || errors.Is(err, s) {
		return err
	}
	return fmt.Errorf("%w: %w", s, err)
}

// awayOrDenied maps an error of the root itself: what isn't forbidden, and isn't this
// computer's own trouble, is away.
func awayOrDenied(err error) error {
	err = plain(err)
	s := sentinel(err)
	if s == nil || !errors.Is(s, fixity.ErrDenied) && !errors.Is(s, fixity.ErrExhausted) {
		s = fixity.ErrAway
	}
	if errors.Is(err, s) {
		return err
	}
	return fmt.Errorf("%w: %w", s, err)
}
