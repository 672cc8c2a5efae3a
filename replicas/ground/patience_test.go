package ground_test

import (
	"testing"
	"testing/synctest"
	"time"

	"firmus/replicas/ground"
)

// TestPatience: a drive that doesn't answer is waited for once, however many of its folders are
// looked at, and again only when it has answered.
func TestPatience(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		answers := make(chan struct{})
		look := func(path string, wait <-chan struct{}) (took time.Duration, ok bool) {
			began := time.Now()
			_, ok = ground.Patiently(path, func() bool {
				if wait != nil {
					<-wait
				}
				return true
			})
			return time.Since(began), ok
		}
		for _, c := range []struct {
			path string
			wait chan struct{}
			took time.Duration
			ok   bool
		}{
			{"/none/vault", answers, ground.Patience, false},
			{"/none/vault", nil, 0, false},
			{"/none/vault/masters", nil, 0, false},
			{"/none/vaults", nil, 0, true},
			{"/none", nil, 0, true},
		} {
			if took, ok := look(c.path, c.wait); took != c.took || ok != c.ok {
				t.Errorf("%s: after %s, %v", c.path, took, ok)
			}
		}
		close(answers)
		synctest.Wait()
		if took, ok := look("/none/vault", nil); took != 0 || !ok {
			t.Errorf("it answers again: after %s, %v", took, ok)
		}
	})
}
