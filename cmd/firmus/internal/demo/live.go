package demo

import (
	"errors"
	"fmt"
	"time"
)

// Live does what an ordinary week does to the holdings, to show that an audit has
// nothing to say about it: an access file inside its editing window is saved, a new
// transfer appears in the studio, and a file in the vault gets another time, as all
// do on some drives when the clocks change. It says what happened, for a person.
//
// It touches none of the files that Plant does. The error wraps ErrNotOurs, and
// nothing is touched, if a file concerned isn't as Make wrote it.
func Live(dir string, now time.Time) ([]string, error) {
	h, err := openHand(dir, now)
	if err != nil {
		return nil, fmt.Errorf("live a week: %w", err)
	}
	defer h.close()
	const shifted = "QV-0104/QV-0104_A.wav"
	fresh := newReel.recordings()[0]
	if err := errors.Join(h.ours(studio, access, inWindow), h.ours(vault, masters, shifted), h.vacant(studio, masters, newReel.number)); err != nil {
		return nil, fmt.Errorf("live a week: %w", err)
	}
	to := h.at(studio, masters, fresh.path)
	fi, err := h.root.Lstat(h.at(vault, masters, shifted))
	if err != nil {
		return nil, fmt.Errorf("live a week: %w", err)
	}
	later := fi.ModTime().Add(time.Hour)
	if err := errors.Join(
		h.save(studio, access, inWindow, 400, h.now),
		h.root.Mkdir(h.at(studio, masters, newReel.number), 0o755),
		h.write(to, fresh.encode(), h.now),
		h.root.Chtimes(h.at(vault, masters, shifted), later, later),
	); err != nil {
		return nil, fmt.Errorf("live a week: %w", err)
	}
	return []string{
		fmt.Sprintf("studio: %s was saved again while it is still worked on", inWindow),
		fmt.Sprintf("studio: a new transfer arrived, %s", fresh.path),
		fmt.Sprintf("vault: the time of %s moved by an hour; its bytes did not", shifted),
	}, nil
}
