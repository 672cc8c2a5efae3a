package scsi

import (
	"context"
	"fmt"
	"sync"
	"time"
)

// answer is what a system's way to the drive gives back.
type answer struct {
	status       Status
	sense        []byte
	host, driver uint16
	residual     int
}

// link is one system's way to a drive. send blocks until the command ends; an
// error says that it was never carried out.
type link interface {
	send(cdb, data []byte, dir Direction, timeout time.Duration) (answer, error)
	close() error
}

// Device is a drive that was opened. Its methods may be called at the same time;
// commands go to the drive one after the other.
type Device struct {
	path string
	link link
	turn chan struct{} // holds one token while no command runs
	buf  []byte        // of MaxTransfer: the running command's, whoever waits for it

	mu     sync.Mutex
	closed bool
	free   bool // link.close was called
	busy   bool // a command runs
}

var _ Transport = (*Device)(nil)

func newDevice(path string, l link) *Device {
	d := &Device{path: path, link: l, turn: make(chan struct{}, 1), buf: make([]byte, MaxTransfer)}
	d.turn <- struct{}{}
	return d
}

// Path is what the drive was opened as.
func (d *Device) Path() string { return d.path }

// Close ends the use of the drive. A command that still runs is not waited for: the
// drive is let go when it ends.
func (d *Device) Close() error {
	d.mu.Lock()
	defer d.mu.Unlock()
	if d.closed {
		return nil
	}
	d.closed = true
	return d.release()
}

// release closes the link once nobody uses it. The caller holds mu.
func (d *Device) release() error {
	if d.busy || d.free {
		return nil
	}
	d.free = true
	return d.link.close()
}

// Do implements Transport.
func (d *Device) Do(ctx context.Context, cdb, data []byte, dir Direction, timeout time.Duration) (Sense, int, error) {
	if err := Allowed(cdb, data, dir); err != nil {
		return Sense{}, 0, err
	}
	select {
	case <-d.turn:
	case <-ctx.Done():
		return Sense{}, 0, ctx.Err()
	}
	d.mu.Lock()
	if d.closed || ctx.Err() != nil {
		d.mu.Unlock()
		d.turn <- struct{}{}
		if err := ctx.Err(); err != nil {
			return Sense{}, 0, err
		}
		return Sense{}, 0, fmt.Errorf("%s to %q: %w", CommandName(cdb[0]), d.path, ErrClosed)
	}
	d.busy = true
	d.mu.Unlock()

	// An ioctl can't be broken off. It works on buffers of its own, so that who
	// asked can go.
	type outcome struct {
		answer
		err error
	}
	end := make(chan outcome)
	gone := make(chan struct{})
	block, buf := [16]byte{}, d.buf[:len(data)]
	copy(block[:], cdb)
	copy(buf, data)
	n := len(cdb)
	go func() {
		a, err := d.link.send(block[:n], buf, dir, timeout)
		select {
		case end <- outcome{a, err}: // who asked still needs buf
		case <-gone:
			d.finish()
		}
	}()
	select {
	case <-ctx.Done():
		close(gone)
		return Sense{}, 0, ctx.Err()
	case o := <-end:
		defer d.finish()
		if o.err != nil {
			return Sense{}, 0, fmt.Errorf("%s to %q: %w", CommandName(cdb[0]), d.path, o.err)
		}
		sense, err := o.judge(cdb[0])
		// The drive's bytes are handed over whatever it says: they aren't believed
		// after an error, and a poisoned buffer shows whether they were written.
		if dir == In {
			copy(data, buf)
		}
		return sense, o.residual, err
	}
}

// finish ends the use of the link and of buf by one command.
func (d *Device) finish() {
	d.mu.Lock()
	d.busy = false
	if d.closed {
		_ = d.release() // nobody is left to be told
	}
	d.mu.Unlock()
	d.turn <- struct{}{}
}

// judge makes an error of every end of a command but a good one. A recovered error
// is good (SPC-4, table 48): the command was carried out.
func (a answer) judge(op byte) (Sense, error) {
	sense, _ := ParseSense(a.sense)
	const driverSense = 8 // Linux: "there is sense data"
	if a.host == 0 && a.driver&^driverSense == 0 {
		if a.status == Good {
			return Sense{}, nil
		}
		if a.status == CheckCondition && sense.Key == RecoveredError && !sense.Deferred {
			return sense, nil
		}
	}
	return sense, &Error{Command: op, Status: a.status, Sense: sense, Host: a.host, Driver: a.driver}
}
