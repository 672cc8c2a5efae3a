package watch_test

import (
	"encoding/binary"
	"os"
	"path/filepath"
	"runtime"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/watch"
)

func put(t *testing.T, path, text string) {
	t.Helper()
	if err := os.MkdirAll(filepath.Dir(path), 0o755); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(path, []byte(text), 0o644); err != nil {
		t.Fatal(err)
	}
}

// wav is a WAVE file whose header promises size bytes of samples, and that has have.
func wav(size, have int) []byte {
	b := append([]byte("RIFF"), 0, 0, 0, 0)
	binary.LittleEndian.PutUint32(b[4:], uint32(36+size))
	b = append(b, "WAVEfmt "...)
	b = binary.LittleEndian.AppendUint32(b, 16)
	for _, x := range []uint16{1, 2} {
		b = binary.LittleEndian.AppendUint16(b, x)
	}
	b = binary.LittleEndian.AppendUint32(b, 48000)
	b = binary.LittleEndian.AppendUint32(b, 192000)
	b = binary.LittleEndian.AppendUint16(b, 4)
	b = binary.LittleEndian.AppendUint16(b, 16)
	b = append(b, "data"...)
	b = binary.LittleEndian.AppendUint32(b, uint32(size))
	return append(b, make([]byte, have)...)
}

func TestSettled(t *testing.T) {
	dir := t.TempDir()
	now := time.Now().Truncate(time.Second)
	const rest = 15 * time.Minute
	file := func(name string, b []byte, age time.Duration) time.Time {
		t.Helper()
		p := filepath.Join(dir, name)
		if err := os.WriteFile(p, b, 0o644); err != nil {
			t.Fatal(err)
		}
		at := now.Add(-age)
		if err := os.Chtimes(p, at, at); err != nil {
			t.Fatal(err)
		}
		return at
	}
	for _, c := range []struct {
		name string
		b    []byte
		age  time.Duration
		ok   bool
		at   time.Time
	}{
		{"at rest and whole", wav(4000, 4000), 16 * time.Minute, true, time.Time{}},
		{"written just now", wav(4000, 4000), time.Minute, false, now.Add(14 * time.Minute)},
		{"its header promises more", wav(4000, 400), 16 * time.Minute, false, now.Add(rest)},
		{"it never became whole", wav(4000, 400), 25 * time.Hour, true, time.Time{}},
		{"no sound file", []byte("a note about the reel"), 16 * time.Minute, true, time.Time{}},
		{"dated by a clock a year ahead", wav(4000, 4000), -365 * 24 * time.Hour, true, time.Time{}},
		{"dated some minutes ahead", wav(4000, 4000), -5 * time.Minute, false, now.Add(rest)},
	} {
		t.Run(c.name, func(t *testing.T) {
			at := file("a.wav", c.b, c.age)
			ok, next := watch.Settled(dir, "a.wav", at, rest, now)
			if ok != c.ok || !next.Equal(c.at) {
				t.Errorf("settled: %v, again at %v; want %v, %v", ok, next, c.ok, c.at)
			}
		})
	}
	t.Run("written to since it was listed", func(t *testing.T) {
		at := file("a.wav", wav(4000, 4000), time.Minute)
		if ok, next := watch.Settled(dir, "a.wav", at.Add(-time.Hour), rest, now); ok || !next.Equal(now.Add(14*time.Minute)) {
			t.Errorf("settled: %v, %v", ok, next)
		}
	})
	t.Run("gone", func(t *testing.T) {
		if ok, next := watch.Settled(dir, "nosuch.wav", now.Add(-time.Hour), rest, now); ok || next.IsZero() {
			t.Errorf("settled: %v, %v", ok, next)
		}
	})
	t.Run("open in a program", func(t *testing.T) {
		if runtime.GOOS != "linux" {
			t.Skip("another system")
		}
		at := file("a.wav", wav(4000, 4000), time.Hour)
		f, err := os.OpenFile(filepath.Join(dir, "a.wav"), os.O_RDWR, 0)
		if err != nil {
			t.Fatal(err)
		}
		if ok, next := watch.Settled(dir, "a.wav", at, rest, now); ok || next.IsZero() {
			t.Errorf("settled while it is open: %v, %v", ok, next)
		}
		f.Close()
		if ok, _ := watch.Settled(dir, "a.wav", at, rest, now); !ok {
			t.Error("not settled after it was closed")
		}
	})
	t.Run("a link that leaves the root", func(t *testing.T) {
		out := filepath.Join(t.TempDir(), "secret")
		if err := os.WriteFile(out, []byte("x"), 0o600); err != nil {
			t.Fatal(err)
		}
		if err := os.Symlink(out, filepath.Join(dir, "link.wav")); err != nil {
			t.Skip(err)
		}
		// Intake will say why it isn't read; here only nothing may be opened.
		if ok, _ := watch.Settled(dir, "link.wav", now.Add(-time.Hour), rest, now); !ok {
			t.Error("not left to intake")
		}
	})
}
