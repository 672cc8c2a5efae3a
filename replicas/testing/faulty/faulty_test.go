package faulty_test

import (
	"context"
	"errors"
	"io"
	"os"
	"path/filepath"
	"runtime"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/disk"
	"firmus/replicas/testing/faulty"
)

var files = map[string]string{"QV-0107/a.wav": strings.Repeat("a", 5000), "QV-0107/b.wav": "bb", "c.txt": "c"}

func store(t *testing.T, faults ...faulty.Fault) *faulty.Store {
	t.Helper()
	root := t.TempDir()
	for path, data := range files {
		at := filepath.Join(root, filepath.FromSlash(path))
		if err := os.MkdirAll(filepath.Dir(at), 0o777); err != nil {
			t.Fatal(err)
		}
		if err := os.WriteFile(at, []byte(data), 0o666); err != nil {
			t.Fatal(err)
		}
	}
	d, err := disk.Open(root, disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	return faulty.Wrap(d, faults...)
}

// visit does to s what an audit does, and gives what it read and every error.
func visit(s *faulty.Store) (read map[string]string, errs []error) {
	ctx := context.Background()
	read = map[string]string{}
	if _, err := s.Identify(ctx); err != nil {
		return read, []error{err}
	}
	shards, err := s.Shards(ctx)
	if err != nil {
		return read, []error{err}
	}
	for _, shard := range shards {
		for e, err := range s.List(ctx, shard) {
			if err != nil {
				errs = append(errs, err)
				break
			}
			r, err := s.Open(ctx, e, 0)
			if err != nil {
				errs = append(errs, err)
				continue
			}
			b, err := io.ReadAll(r)
			read[e.Path] = string(b)
			if err != nil {
				errs = append(errs, err)
			}
			if err := r.Close(); err != nil {
				errs = append(errs, err)
			}
		}
	}
	return read, errs
}

// TestEveryOperationCanFail fails operation k for each k until there is none
// left: each injected error comes out, once.
func TestEveryOperationCanFail(t *testing.T) {
	boom := errors.New("boom")
	for k := 0; ; k++ {
		s := store(t, faulty.At(k, boom))
		_, errs := visit(s)
		if s.Ops() <= k {
			if len(errs) > 0 {
				t.Errorf("no operation %d, and yet %v", k, errs)
			}
			if k < 20 {
				t.Errorf("only %d operations", k)
			}
			return
		}
		if len(errs) != 1 || !errors.Is(errs[0], boom) {
			t.Errorf("operation %d: %v, want boom once", k, errs)
		}
	}
}

func TestFaults(t *testing.T) {
	boom := errors.New("boom")
	a := files["QV-0107/a.wav"]
	flipped := a[:4999] + string("a"[0]^0x10)
	for _, c := range []struct {
		name  string
		fault faulty.Fault
		read  string // of QV-0107/a.wav
		err   error
	}{
		{"none", faulty.At(-1, boom), a, nil},
		{"flip", faulty.Flip("QV-0107/a.wav", 4999, 0x10), flipped, nil},
		{"flip another file", faulty.Flip("QV-0107/b.wav", 0, 0x10), a, nil},
		{"flip on the first reading", faulty.FlipOnce("QV-0107/a.wav", 4999, 0x10, 0), flipped, nil},
		{"flip on the second reading", faulty.FlipOnce("QV-0107/a.wav", 4999, 0x10, 1), a, nil},
		{"short", faulty.Short("QV-0107/a.wav", 4097), a[:4097], nil},
		{"unreadable", faulty.Unreadable("QV-0107/a.wav", 1234), a[:1234], fixity.ErrUnreadable},
		{"every open", faulty.On(faulty.Open, "QV-0107/a.wav", boom), "", boom},
		{"second close", faulty.Nth(faulty.Close, 1, boom), a, boom},
		{"away from the start", faulty.Away(0), "", fixity.ErrAway},
	} {
		t.Run(c.name, func(t *testing.T) {
			read, errs := visit(store(t, c.fault))
			if read["QV-0107/a.wav"] != c.read {
				t.Errorf("read %d bytes, want %d; or others", len(read["QV-0107/a.wav"]), len(c.read))
			}
			switch {
			case c.err == nil && len(errs) > 0:
				t.Errorf("errors %v", errs)
			case c.err != nil && (len(errs) != 1 || !errors.Is(errs[0], c.err)):
				t.Errorf("errors %v, want one that is %v", errs, c.err)
			}
		})
	}
}

func TestReadingsDiffer(t *testing.T) {
	s := store(t, faulty.FlipOnce("QV-0107/a.wav", 7, 1, 1))
	first, _ := visit(s)
	second, _ := visit(s)
	third, _ := visit(s)
	p := "QV-0107/a.wav"
	if first[p] != files[p] || second[p] == files[p] || third[p] != files[p] {
		t.Error("not the second reading alone is another")
	}
}

func TestAwayLater(t *testing.T) {
	s := store(t)
	visit(s)
	total := s.Ops()
	if total == 0 || s.Count(faulty.Identify) != 1 || s.Count(faulty.Open) != 3 || s.Count(faulty.Close) != 3 {
		t.Errorf("%d operations, %d times Identify, %d times Open", total, s.Count(faulty.Identify), s.Count(faulty.Open))
	}
	s.Set(faulty.Away(total + 4))
	_, errs := visit(s)
	if len(errs) == 0 {
		t.Fatal("no error")
	}
	for _, err := range errs {
		if !errors.Is(err, fixity.ErrAway) {
			t.Error(err)
		}
	}
}

func TestHang(t *testing.T) {
	release := make(chan struct{})
	s := store(t, faulty.Hang(faulty.Identify, 0, release), faulty.Hang(faulty.Read, 0, release))
	why := errors.New("60 seconds without an answer")
	ctx, cancel := context.WithCancelCause(context.Background())
	done := make(chan error, 1)
	go func() {
		_, err := s.Identify(ctx)
		done <- err
	}()
	for s.Count(faulty.Identify) == 0 {
		runtime.Gosched()
	}
	select {
	case err := <-done:
		t.Fatalf("it didn't hang: %v", err)
	default:
	}
	cancel(why)
	if err := <-done; !errors.Is(err, why) {
		t.Errorf("%v, want the cause of the context", err)
	}

	r, err := s.Open(context.Background(), fixity.Entry{Path: "c.txt"}, 0)
	if err != nil {
		t.Fatal(err)
	}
	defer r.Close()
	go func() {
		_, err := io.ReadAll(r)
		done <- err
	}()
	for s.Count(faulty.Read) == 0 {
		runtime.Gosched()
	}
	select {
	case err := <-done:
		t.Fatalf("it didn't hang: %v", err)
	default:
	}
	close(release)
	if err := <-done; err != nil {
		t.Error(err)
	}
}
