package workbook_test

import (
	"context"
	"errors"
	"io/fs"
	"os"
	"path/filepath"
	"testing"
	"testing/synctest"
	"time"

	"firmus/cmd/firmus/internal/register"
	"firmus/cmd/firmus/internal/register/workbook"
)

// hangs is a file whose reading gets no answer until something is said.
type hangs struct {
	fs.File
	until chan struct{}
	every time.Duration // it answers, and slowly
}

func (h *hangs) Read(p []byte) (int, error) {
	if h.every > 0 {
		time.Sleep(h.every)
		return h.File.Read(p[:1])
	}
	<-h.until
	return h.File.Read(p)
}

// A share that gives no answer is out of reach after a minute, and isn't asked again while the
// system still waits for it. One that is only slow is read; a context ends the wait for either.
func TestAFileThatGivesNoAnswerIsAway(t *testing.T) {
	path := filepath.Join(t.TempDir(), "register.csv")
	if err := os.WriteFile(path, []byte("Number\nQV-1\n"), 0o666); err != nil {
		t.Fatal(err)
	}
	synctest.Test(t, func(t *testing.T) {
		until := make(chan struct{})
		opened := 0
		open := func(path string) (fs.File, error) {
			opened++
			f, err := os.Open(path)
			return &hangs{f, until, 0}, err
		}
		began := time.Now()
		if _, err := workbook.LoadBy(t.Context(), path, open); why(err) != register.Away || time.Since(began) != time.Minute {
			t.Errorf("after %s: %v", time.Since(began), err)
		}
		began = time.Now()
		if _, err := workbook.LoadBy(t.Context(), path, open); why(err) != register.Away || time.Since(began) != 0 || opened != 1 {
			t.Errorf("once more, after %s, opened %d times: %v", time.Since(began), opened, err)
		}
		if s := workbook.Look(t.Context(), path); s.Size != -1 {
			t.Errorf("its sign is %+v", s)
		}
		close(until) // the share is there again, and what was left behind ends
		synctest.Wait()
		if f, err := workbook.LoadBy(t.Context(), path, open); err != nil || len(f.Bytes) == 0 {
			t.Error(err)
		}
		if s := workbook.Look(t.Context(), path); s.Size != 12 || s.At.IsZero() || s.Gone {
			t.Errorf("its sign is %+v", s)
		}
		began = time.Now()
		slow := func(path string) (fs.File, error) {
			f, err := os.Open(path)
			return &hangs{f, nil, 50 * time.Second}, err
		}
		if f, err := workbook.LoadBy(t.Context(), path, slow); err != nil || string(f.Bytes) != "Number\nQV-1\n" || time.Since(began) < 10*time.Minute {
			t.Errorf("a slow one, after %s: %v", time.Since(began), err)
		}
		until = make(chan struct{})
		ctx, cancel := context.WithTimeoutCause(t.Context(), time.Second, errors.New("somebody stops it"))
		defer cancel()
		if _, err := workbook.LoadBy(ctx, path, open); err == nil || err.Error() != "somebody stops it" {
			t.Error(err)
		}
		close(until)
		synctest.Wait()
	})
}

// Whoever has enough of a file that takes long to unpack gets it back at once.
func TestUnpackingEndsWithItsContext(t *testing.T) {
	text := big(t, "XLSX")
	ctx, cancel := context.WithCancelCause(t.Context())
	stop := errors.New("somebody stops it")
	cancel(stop)
	for _, text := range [][]byte{text, big(t, "ODS"), big(t, "CSV")} {
		if _, err := workbook.Open(ctx, workbook.File{Name: "register", Bytes: text}, workbook.Options{}); !errors.Is(err, stop) {
			t.Error(err)
		}
		b, err := workbook.Open(t.Context(), workbook.File{Name: "register", Bytes: text}, workbook.Options{})
		if err != nil {
			t.Fatal(err)
		}
		if _, err := b.Sheets[0].Lines(ctx, func(register.Line) error { return nil }); !errors.Is(err, stop) {
			t.Error(err)
		}
	}
}
