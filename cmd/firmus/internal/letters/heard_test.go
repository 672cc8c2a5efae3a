package letters_test

import (
	"encoding/binary"
	"math/rand/v2"
	"strings"
	"testing"
	"time"
)

// wave is a WAVE file of noise, 48 kHz, 16 bit, two channels.
func wave(seconds int, seed byte) []byte {
	n := seconds * 48_000 * 4
	b := []byte("RIFF\x00\x00\x00\x00WAVEfmt \x10\x00\x00\x00\x01\x00\x02\x00\x80\xbb\x00\x00\x00\xee\x02\x00\x04\x00\x10\x00data\x00\x00\x00\x00")
	binary.LittleEndian.PutUint32(b[4:], uint32(len(b)-8+n))
	binary.LittleEndian.PutUint32(b[len(b)-4:], uint32(n))
	noise := make([]byte, n)
	rand.NewChaCha8([32]byte{seed}).Read(noise)
	return append(b, noise...)
}

// Damage is told as a time in the recording, to the block before another copy was
// compared with it and exactly after.
func TestHeard(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	w.put("studio/masters/QV-0107/QV-0107_A.wav", wave(20, 1), w.now)
	w.copy("studio/masters/QV-0107/QV-0107_A.wav", "vault/masters/QV-0107/QV-0107_A.wav")
	w.now = w.now.Add(24 * time.Hour)
	w.intake()
	w.post()
	// A tenth of a second from 12.5 s on, and from 18 s on.
	w.rot("studio/masters/QV-0107/QV-0107_A.wav", 44+12*192_000+96_000, 19_200)
	w.rot("studio/masters/QV-0107/QV-0107_A.wav", 44+18*192_000, 19_200)
	w.now = w.now.Add(24 * time.Hour)
	w.audit(true)
	w.post()
	text := strings.Join(strings.Fields(w.outbox()[0].Text), " ")
	for _, want := range []string{"Heard at 0:00:12.500 to 0:00:12.", " and 0:00:18.000 to 0:00:18.", " of 0:00:20.000 How sure"} {
		if !strings.Contains(text, want) {
			t.Errorf("%q isn't in\n%s", want, w.outbox()[0].Text)
		}
	}
}
