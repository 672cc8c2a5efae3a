package app_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// The daemon has files brought back as a proof, where that was promised: after a scheduled
// audit that was done, and after a visit that was. Where nobody asked for it, it does not.
func TestDaemonDrills(t *testing.T) {
	t.Parallel() // it waits for the minute
	w, addr := daemonWorld(t, `schedule = "* * * * *"
drill_within = "30d"
[store.safe]
kind = "disk"
own_drive = true
visiting = true
sets = { masters = "safe/masters" }
drill_within = "90d"
`)
	for i := range 3 {
		f := fmt.Sprintf("masters/QV-01%02d/QV-01%02d_A.wav", i, i)
		w.copy("studio/"+f, "safe/"+f)
	}
	r := w.daemon(addr)
	for _, store := range []string{"safe", "vault"} {
		r.within(90*time.Second, "files of "+store+" are brought back", func() bool {
			return r.log.has(`msg="files were brought back as a proof" store=` + store + " files=3 proved=3")
		})
	}
	r.stop()
	if n := strings.Count(r.log.text(), "brought back as a proof"); n != 2 {
		t.Errorf("%d drills", n)
	}
}
