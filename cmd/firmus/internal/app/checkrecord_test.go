package app_test

import (
	"database/sql"
	"os"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
)

// A record that is not what was written is told by a letter past the outbox, by the log and
// on Today, without anybody asking.
func TestADaemonTellsOfABrokenRecord(t *testing.T) {
	t.Parallel()
	post, mail := openPost(t)
	w, addr := daemonWorld(t, mailed(mail))
	w.open().Close()
	change := func(statement string) {
		db, err := sql.Open("sqlite", w.path("state/ledger.db"))
		must(t, err)
		defer db.Close()
		_, err = db.Exec(statement)
		must(t, err)
	}
	change(`UPDATE event SET by_name = by_name || '!' WHERE seq = 0`)
	r := w.daemon(addr, func(o *app.DaemonOptions) { o.Beat = 50 * time.Millisecond })
	r.within(time.Minute, "the log says so", func() bool { return r.log.has(`level=ERROR msg="the record is not what was written"`) })
	r.within(time.Minute, "a letter says so", func() bool { return post.has("URGENT: Firmus's record is not what was written") })
	r.within(time.Minute, "a metric says so", r.answers("/metrics", 200, "firmus_record_broken 1"))
	// A daemon that ends between the letter and the note of it tells once more: better than never.
	r.within(time.Minute, "it is kept that it was told", func() bool { _, err := os.Stat(w.path("state/record-told")); return err == nil })
	letters := func() int { post.mu.Lock(); defer post.mu.Unlock(); return len(post.letters) }
	r.stop()

	// Another daemon finds the same, and tells it no second time.
	again := w.daemon(addr, func(o *app.DaemonOptions) { o.Beat = 50 * time.Millisecond })
	again.within(time.Minute, "it looks at the record", again.answers("/metrics", 200, "firmus_record_broken 1"))
	time.Sleep(time.Second) // twenty beats
	if n := letters(); n != 1 {
		t.Errorf("%d letters about one fault", n)
	}
	again.stop()
	// What is wrong becomes something else: that is told.
	change(`UPDATE event SET by_name = rtrim(by_name, '!') WHERE seq = 0`)
	change(`UPDATE event SET by_name = by_name || '!' WHERE seq = 1`)
	a := w.open()
	a.Acts.Archive.Now = time.Now // as the daemon's, which has looked just now
	_, err := acts.Of(a.Acts.Archive).CheckRecord(t.Context())
	a.Close()
	if !acts.IsBroken(err) {
		t.Fatalf("the record is whole: %v", err)
	}
	third := w.daemon(addr, func(o *app.DaemonOptions) { o.Beat = 50 * time.Millisecond })
	third.within(time.Minute, "another fault is told", func() bool { return letters() == 2 })
}
