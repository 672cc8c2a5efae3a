package audit_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"sync"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/ledger"
)

// gate is a root of which it is counted how many files are read at once, and of which one
// file's reading waits.
type gate struct {
	*root
	slow    string        // path that waits
	release chan struct{} // closed when it may go on

	mu        sync.Mutex
	now, most int
}

func (g *gate) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	r, err := g.root.Open(ctx, e, offset)
	if err != nil {
		return nil, err
	}
	g.mu.Lock()
	defer g.mu.Unlock()
	g.now++
	g.most = max(g.most, g.now)
	return &gated{Reader: r, g: g, path: e.Path, ctx: ctx}, nil
}

type gated struct {
	fixity.Reader
	g    *gate
	path string
	ctx  context.Context
	over bool
}

func (r *gated) Read(p []byte) (int, error) {
	if r.path == r.g.slow {
		select {
		case <-r.g.release:
		case <-r.ctx.Done():
			return 0, context.Cause(r.ctx)
		}
	}
	n, err := r.Reader.Read(p)
	if err == io.EOF && !r.over {
		r.over = true
		r.g.mu.Lock()
		r.g.now--
		r.g.mu.Unlock()
	}
	return n, err
}

func sides(n int) map[string]string {
	files := map[string]string{}
	for i := range n {
		files[fmt.Sprintf("QV-%04d/side-%d.wav", 100+i/3, i%3)] = fmt.Sprintf("side %d", i)
	}
	return files
}

// TestReadersAtOnce: no more files are read at once than the device has readers, over all
// folders, and all are read.
func TestReadersAtOnce(t *testing.T) {
	for _, readers := range []int{0, 1, 3} {
		files := sides(60)
		w := newWorldOf(t, files)
		w.readers = readers
		g := &gate{root: w.at("shelf", "masters")}
		w.now = w.now.Add(time.Hour)
		a, err := w.begin(full("shelf"))
		w.must(err)
		aud := w.auditor()
		aud.Open = func(string, string, fixity.Cache) (audit.Store, error) { return g, nil }
		w.must(aud.Run(t.Context(), a.ID, fixity.PhaseList))
		if g.most > max(readers, 1) {
			t.Errorf("%d readers: %d files were read at once", readers, g.most)
		}
		if p := w.progress(a); p.Read != 60 || !p.Complete {
			t.Errorf("%d readers: %d read, complete %t", readers, p.Read, p.Complete)
		}
		for path := range files {
			if got := w.lines(a.ID)[path]; len(got) != 1 {
				t.Errorf("%d readers: %q has the result lines %v", readers, path, got)
			}
		}
		w.sound()
	}
}

// TestOneThatTakesLong: what is read beside a file that takes long is in the ledger before
// that one is read, so a kill loses no more than the last moment. Whoever goes on reads only
// what lacks.
func TestOneThatTakesLong(t *testing.T) { onEach(t, testOneThatTakesLong) }

func testOneThatTakesLong(t *testing.T) {
	const slow = "QV-0101/side-1.wav"
	w := newWorldOf(t, sides(30))
	w.readers = 2
	g := &gate{root: w.at("shelf", "masters"), slow: slow, release: make(chan struct{})}
	w.now = w.now.Add(time.Hour)
	a, err := w.begin(full("shelf"))
	w.must(err)
	aud := w.auditor()
	aud.Open = func(string, string, fixity.Cache) (audit.Store, error) { return g, nil }
	ctx, stop := context.WithCancel(t.Context())
	done := make(chan error, 1)
	go func() { done <- aud.Run(ctx, a.ID, fixity.PhaseList) }()
	read := func() (n int64) {
		w.view(func(tx *ledger.Tx) (err error) { n, err = tx.Audits.CountRead(a.ID); return err })
		return n
	}
	for until := time.Now().Add(time.Minute); read() < 29; time.Sleep(20 * time.Millisecond) {
		if time.Now().After(until) {
			t.Fatalf("while one file is read, %d of the others are in the ledger", read())
		}
	}
	stop()
	if err := <-done; !errors.Is(err, context.Canceled) {
		t.Errorf("stopped: %v", err)
	}
	b, p := w.audit(full("shelf"))
	if b.ID != a.ID || p.Read != 1 || !p.Complete {
		t.Errorf("audit %d took up %d and read %d", b.ID, a.ID, p.Read)
	}
	if n := w.at("shelf", "masters").wasRead("QV-0101/side-2.wav"); n != 1 {
		t.Errorf("what was read beside it was read %d times", n)
	}
	w.sound()
}
