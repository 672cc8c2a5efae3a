package app_test

import (
	"database/sql"
	"fmt"
	"net"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
)

// A record that is not what was written is told by a letter past the outbox, by the log and
// on Today, without anybody asking.
func TestADaemonTellsOfABrokenRecord(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	must(t, err)
	post := &postOffice{}
	post.serve(t, l)
	w, addr := daemonWorld(t, fmt.Sprintf("\n[mail]\nserver = %q\ntls = \"none\"\nfrom = \"firmus@quillmere.example\"\nto = [\"archivist@quillmere.example\"]\n", l.Addr()))
	w.open().Close()
	change := func(statement string) {
		db, err := sql.Open("sqlite", w.path("state/ledger.db"))
		must(t, err)
		defer db.Close()
		_, err = db.Exec(statement)
		must(t, err)
	}
	change(`UPDATE version SET size = size + 1`)
	change(`UPDATE event SET by_name = 'nobody' WHERE seq = 0`)
	r := w.daemon(addr, func(o *app.DaemonOptions) { o.Beat = 50 * time.Millisecond })
	r.within(20*time.Second, "the log says so", func() bool { return r.log.has(`level=ERROR msg="the record is not what was written"`) })
	r.within(10*time.Second, "a letter says so", func() bool { return post.has("URGENT: Firmus's record is not what was written") })
	time.Sleep(500 * time.Millisecond)
	post.mu.Lock()
	defer post.mu.Unlock()
	if n := len(post.letters); n != 1 {
		t.Errorf("%d letters", n)
	}
}
