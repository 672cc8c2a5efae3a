package vmtest_test

import (
	"io"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/replicas/testing/mmctest"
)

// said is what a program says, for a test that waits for it.
type said struct {
	mu   sync.Mutex
	text strings.Builder
	came chan struct{}
}

func (s *said) Write(p []byte) (int, error) {
	s.mu.Lock()
	defer s.mu.Unlock()
	n, err := s.text.Write(p)
	select {
	case s.came <- struct{}{}:
	default:
	}
	return n, err
}

func (s *said) String() string {
	s.mu.Lock()
	defer s.mu.Unlock()
	return s.text.String()
}

// wait waits until it was said n times.
func (s *said) wait(t *testing.T, what string, n int) {
	t.Helper()
	end := time.After(40 * time.Second)
	for strings.Count(s.String(), what) < n {
		select {
		case <-s.came:
		case <-end:
			t.Fatalf("%q wasn't said %d times:\n%s", what, n, s)
		}
	}
}

// A sitting at a true drive: nobody touches the keyboard. The program opens the tray, the
// kernel says that a disc was put in, and one out of order is taken for what it is.
func TestGuestSitting(t *testing.T) {
	inGuest(t)
	p := firmus(t)
	audio, second := burn(t, p.dir, 0, 1, 2), burn(t, p.dir, 1)
	data, _ := burnData(t)
	sim, node := plug(t, nil, 30)
	cmd, out, _ := p.start("--json", "disc", "check", "--sitting", "--drive", node)
	keys, err := cmd.StdinPipe() // nothing is typed, and nothing ends it
	if err != nil {
		t.Fatal(err)
	}
	defer keys.Close()
	told := &said{came: make(chan struct{}, 1)}
	cmd.Stderr = told
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	// What is asked for: QD-0033, QD-0041 A, QD-0042.
	for i, disc := range []*mmctest.Disc{data, second, audio} {
		told.wait(t, "put in QD-", i+1) // the tray is open by then
		sim.Insert(disc)
		told.wait(t, ": intact (", i+1)
	}
	err = cmd.Wait()
	if got := cmd.ProcessState.ExitCode(); got != 0 {
		t.Errorf("exit status %d (%v)\n%s\n%s", got, err, out, told)
	}
	for _, want := range []string{"QD-0033: intact", "put in QD-0041 A (look at its letter).", "QD-0041 A was asked for, and this is QD-0042: intact", "QD-0041 A: intact"} {
		if !strings.Contains(told.String(), want) {
			t.Errorf("it doesn't say %q", want)
		}
	}
	if strings.Contains(told.String(), "doesn't open by itself") || !strings.Contains(out.String(), `"not_read": []`) {
		t.Errorf("%s\n%s", out, told)
	}
	if n := sim.Sent(0x1B); n < 3 {
		t.Errorf("the tray was opened %d times", n)
	}
}

// A drive that doesn't open by a command: a disc that stays in isn't taken for the next.
func TestGuestSittingStuck(t *testing.T) {
	inGuest(t)
	p := firmus(t)
	data, _ := burnData(t)
	sim, node := plug(t, data, 0)
	sim.Stuck = true
	cmd, out, _ := p.start("--json", "disc", "check", "--sitting", "--drive", node)
	keys, err := cmd.StdinPipe()
	if err != nil {
		t.Fatal(err)
	}
	told := &said{came: make(chan struct{}, 1)}
	cmd.Stderr = told
	if err := cmd.Start(); err != nil {
		t.Fatal(err)
	}
	told.wait(t, "a disc lies in the drive already", 1) // it isn't read by itself
	if _, err := io.WriteString(keys, "\n"); err != nil {
		t.Fatal(err)
	}
	told.wait(t, "QD-0033: intact", 1)
	told.wait(t, "the drive doesn't open by itself", 1)
	told.wait(t, "a disc lies in the drive already", 2)
	sim.Eject()                 // by its button
	time.Sleep(4 * time.Second) // the longest that an unseen change takes to be seen
	sim.Insert(burn(t, p.dir, 0, 1, 2))
	told.wait(t, "QD-0041 A: intact", 1)
	if _, err := io.WriteString(keys, "q\n"); err != nil {
		t.Fatal(err)
	}
	_ = cmd.Wait() // of what isn't read it says 3
	if got := cmd.ProcessState.ExitCode(); got != 3 || !strings.Contains(out.String(), "QD-0042") {
		t.Errorf("exit status %d\n%s\n%s", got, out, told)
	}
}
