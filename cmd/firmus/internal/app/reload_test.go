package app_test

import (
	"io"
	"net/http"
	"sync"
	"testing"
	"time"
)

// While the configuration is read anew, each request is answered as before or after it: none
// meets a ledger that was closed.
func TestReloadAnswersAll(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "")
	r := w.daemon(addr)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	done := make(chan struct{})
	var asking sync.WaitGroup
	for range 4 {
		asking.Go(func() {
			for n := 0; ; n++ {
				select {
				case <-done:
					if n == 0 {
						t.Error("no answer")
					}
					return
				default:
				}
				res, err := http.Get("http://" + addr + "/readyz")
				if err != nil {
					t.Error(err)
					return
				}
				b, _ := io.ReadAll(res.Body)
				res.Body.Close()
				if res.StatusCode != http.StatusOK {
					t.Errorf("%s: %s", res.Status, b)
					return
				}
			}
		})
	}
	for range 8 {
		r.reload <- struct{}{}
	}
	close(done)
	asking.Wait()
}
