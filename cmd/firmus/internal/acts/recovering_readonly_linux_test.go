package acts_test

import (
	"bytes"
	"os"
	"strings"
	"testing"

	"golang.org/x/sys/unix"

	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/fixity"
)

// Nothing is put into a store that is mounted read-only: that is told of each file, in
// plain words, and no other store is the worse for it. It may give bytes all the same.
func TestRecoverReadOnly(t *testing.T) {
	onEach(t, func(w *world) {
		w.held(sideOne, sideTwo, songFile)
		w.damage("vault/"+sideOne, 1000)
		w.must(os.Remove(w.at("vault/" + sideTwo)))
		w.damage("studio/"+songFile, 1000)
		w.audit(fixity.Bypassed)
		at := w.at("vault")
		if err := unix.Mount(at, at, "", unix.MS_BIND, ""); err != nil {
			if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
				t.Fatal(err)
			}
			t.Skip("nothing can be mounted here: ", err)
		}
		free := func() { _ = unix.Unmount(at, unix.MNT_DETACH) }
		t.Cleanup(free)
		w.must(unix.Mount("", at, "", unix.MS_REMOUNT|unix.MS_BIND|unix.MS_RDONLY, ""))
		bad := w.bytesAt("vault/" + sideOne)

		got, res := w.recover(recovering.Order{Store: "vault"})
		w.want("read-only", got, "vault QV-0107/QV-0107_A.wav: not-done", "vault QV-0107/QV-0107_B.wav: not-done")
		for _, x := range res.Items {
			if !strings.Contains(x.Why, "read-only") || x.Kept != "" {
				t.Errorf("%s: %q, kept %q", x.Path, x.Why, x.Kept)
			}
		}
		if !bytes.Equal(w.bytesAt("vault/"+sideOne), bad) {
			t.Error("it was touched")
		}
		got, _ = w.recover(recovering.Order{Store: "studio"})
		w.want("given by it", got, "studio QV-0107/QV-0107_A_01.wav: put-back")
		free()
		got, _ = w.recover(recovering.Order{Store: "vault"})
		w.want("written to again", got, "vault QV-0107/QV-0107_A.wav: put-back", "vault QV-0107/QV-0107_B.wav: put-back")
		w.want("open", w.audit(fixity.Bypassed))
	})
}
