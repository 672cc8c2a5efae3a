package letters_test

import (
	"fmt"
	"strings"
	"testing"
	"time"
)

// A letter told of the damage minutes ago. What was copied the wrong way round since is
// not gathered for later, whatever the copy was said to be before.
func TestAWrongWayCopyDoesNotWaitForTheNextLetter(t *testing.T) {
	t.Parallel()
	const path = "QV-0102/QV-0102_A.wav"
	for _, tc := range []struct {
		name   string
		before func(w *world) // what befalls the vault before the copying
		say    []string
	}{
		{"an intact copy", func(*world) {}, []string{"was intact on", "No copy is known to be intact any more.", "Stop copying."}},
		{"a copy that was damaged in another way", func(w *world) { w.rot("vault/masters/"+path, 100_000, 40_000) }, []string{"was intact on", "Stop copying."}},
	} {
		t.Run(strings.ReplaceAll(tc.name, " ", "-"), func(t *testing.T) {
			w := newWorld(t, "")
			reels(w, 4, 0)
			w.post()
			w.audit(true)
			w.rot("studio/masters/"+path, 0, 70_000)
			tc.before(w)
			w.now = w.now.Add(time.Hour)
			w.audit(true)
			w.post()
			told := len(w.outbox())
			w.now = w.now.Add(5 * time.Minute)
			w.copy("studio/masters/"+path, "vault/masters/"+path)
			w.audit(true, "vault")
			w.post()
			all := w.outbox()
			if len(all) != told+1 {
				t.Fatalf("%d letters more", len(all)-told)
			}
			l := all[told]
			if !strings.HasPrefix(l.Subject, "NO INTACT COPY KNOWN") || !strings.Contains(l.Subject, "copied the wrong way round?") {
				t.Errorf("subject: %s", l.Subject)
			}
			flat := strings.Join(strings.Fields(l.Text), " ")
			for _, s := range append(tc.say, "may have been copied the wrong way round", w.path("vault/masters/"+path)) {
				if !strings.Contains(flat, s) {
					t.Errorf("%q isn't said:\n%s", s, l.Text)
				}
			}
			w.audit(true)
			w.post() // it is told once
			if n := len(w.outbox()); n != told+1 {
				t.Errorf("%d letters after it", n-told-1)
			}
		})
	}
}

// Of a folder that was copied the wrong way round each file is named.
func TestAFolderCopiedTheWrongWayIsTold(t *testing.T) {
	t.Parallel()
	w := newWorld(t, "")
	reels(w, 4, 0)
	w.post()
	w.audit(true)
	var paths []string
	for i := range 3 {
		paths = append(paths, fmt.Sprintf("QV-010%d/QV-010%d_A.wav", i+1, i+1))
		w.rot("studio/masters/"+paths[i], 0, 70_000)
	}
	w.now = w.now.Add(time.Hour)
	w.audit(true)
	w.post()
	w.now = w.now.Add(5 * time.Minute)
	for _, p := range paths {
		w.copy("studio/masters/"+p, "vault/masters/"+p)
	}
	w.audit(true, "vault")
	w.post()
	all := w.outbox()
	l := all[len(all)-1]
	if !strings.Contains(l.Subject, "copied the wrong way round?") || !strings.Contains(strings.Join(strings.Fields(l.Text), " "), "3 copies were intact before and hold the same damaged bytes as another copy now.") {
		t.Errorf("Subject: %s\n\n%s", l.Subject, l.Text)
	}
}
