package main

import (
	"fmt"
	"io"
	"os"
	"sync"
	"time"

	"golang.org/x/term"

	"firmus/cmd/firmus/internal/report"
	"firmus/fixity"
)

// progress is one line on a terminal that tells how long work goes. On anything
// else, and when nil, it does nothing: no control characters in a log.
type progress struct {
	mu    sync.Mutex
	w     io.Writer
	fd    int
	total int64 // bytes there are to read; 0: not known
	bytes int64
	files int64
	dealt int // of so many files that are put back, those that were dealt with; of 0 nothing is known
	of    int
	what  string
	line  string // of work that isn't counted in files and bytes: all of it
	began time.Time
	shown bool
	done  chan struct{}
}

// startProgress begins to show, if stderr is a terminal and results aren't JSON.
func (c *command) startProgress(total int64) {
	f, ok := c.terminal.(*os.File)
	if !ok || !term.IsTerminal(int(f.Fd())) || os.Getenv("TERM") == "dumb" {
		return
	}
	p := &progress{w: f, fd: int(f.Fd()), total: total, began: time.Now(), done: make(chan struct{})}
	c.progress = p
	go func() {
		t := time.NewTicker(200 * time.Millisecond)
		defer t.Stop()
		for {
			select {
			case <-p.done:
				return
			case <-t.C:
				p.show()
			}
		}
	}()
}

func (p *progress) file(store, path string) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.files++
	p.what = store + "  " + report.Show(path)
}

// others adds what hosts read that share the ledger: which file that was isn't known here.
func (p *progress) others(store string, files, bytes int64) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.files, p.bytes, p.what = p.files+files, p.bytes+bytes, store
}

// ofFiles tells how many files of how many were dealt with.
func (p *progress) ofFiles(done, of int) {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	p.dealt, p.of = done, of
}

func (p *progress) add(n int64) {
	if p == nil {
		return
	}
	p.mu.Lock()
	p.bytes += n
	p.mu.Unlock()
}

func (p *progress) show() {
	p.mu.Lock()
	defer p.mu.Unlock()
	secs := time.Since(p.began).Seconds()
	rate := float64(p.bytes) / max(secs, 0.001)
	line := fmt.Sprintf("%s, %s", fixity.Count(p.files, "file"), report.Size(p.bytes))
	if p.of > 0 {
		line = fmt.Sprintf("%s of %s, %s read", fixity.Number(int64(p.dealt)), fixity.Count(int64(p.of), "file"), report.Size(p.bytes))
	}
	if p.total > 0 {
		line += " of " + report.Size(p.total)
	}
	if p.bytes > 0 {
		line += fmt.Sprintf(", %s/s", report.Size(int64(rate)))
	}
	if left := p.total - p.bytes; p.total > 0 && left > 0 && rate > 0 {
		line += ", " + time.Duration(float64(left)/rate*float64(time.Second)).Round(time.Second).String() + " left"
	}
	line += "  " + p.what
	if p.line != "" {
		line = p.line
	}
	if width, _, err := term.GetSize(p.fd); err == nil && width > 10 {
		if r := []rune(line); len(r) >= width {
			line = string(r[:width-1])
		}
	}
	fmt.Fprint(p.w, "\r\x1b[K")
	fmt.Fprint(&plain{w: p.w}, line)
	p.shown = true
}

// clear takes the line away so that a message can be written.
func (p *progress) clear() {
	if p == nil {
		return
	}
	p.mu.Lock()
	defer p.mu.Unlock()
	if p.shown {
		fmt.Fprint(p.w, "\r\x1b[K")
		p.shown = false
	}
}

func (p *progress) stop() {
	if p == nil {
		return
	}
	select {
	case <-p.done:
		return
	default:
		close(p.done)
	}
	p.clear()
}
