//go:build unix

package main

import (
	"bytes"
	"context"
	"database/sql"
	"fmt"
	"log/slog"
	"os"
	"os/exec"
	"os/signal"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/metrics"
	"firmus/cmd/firmus/testing/mailtest"
)

// beDaemon in the environment makes the test binary the daemon of a configuration, which waits
// for nothing to have been at rest.
const beDaemon = "FIRMUS_TEST_BE_DAEMON"

func init() { children[beDaemon] = daemon }

func daemon(file string) {
	ctx, stop := signal.NotifyContext(context.Background(), os.Interrupt)
	defer stop()
	if err := app.RunDaemon(ctx, app.DaemonOptions{Log: slog.New(slog.NewTextHandler(os.Stderr, nil)), By: "the daemon", Build: metrics.Build{Version: "test"},
		TakeInFirst: time.Millisecond, Rest: time.Millisecond, Look: 100 * time.Millisecond, Follow: 50 * time.Millisecond, Again: 100 * time.Millisecond,
		Load: func() (*config.Config, error) {
			c, err := config.Load(file)
			if err == nil {
				c.Web.Listen = ""
			}
			return c, err
		}}); err != nil {
		fmt.Fprintln(os.Stderr, err)
		os.Exit(1)
	}
	os.Exit(0)
}

// chain is how often one archive's daemon is killed before it may come to its end.
const chain = 5

// killDaemon kills the daemon again and again while it audits a drive that came, takes new
// files in, proves that files can be brought back, makes a backup and sends letters. In the
// end all that is done, each letter came, under one Message-ID, and the archive is what it is
// where nothing was killed.
func (w *killWorld) killDaemon(kills int) moments {
	t := w.t
	if kills == 0 {
		return nil
	}
	post := w.daemonsWork()
	ready := w.base + "-row"
	before := recordings(t, w.dir)
	var want state
	var took time.Duration
	for range 2 {
		w.load(ready)
		took = w.letRun()
		s := stateOf(t, w.dir)
		if want != nil {
			if d := s.unlike(want); d != "" {
				t.Fatalf("two daemons that nobody killed came to different archives:\n%s", d)
			}
		}
		want = s
	}
	after := recordings(t, w.dir)
	count := moments{}
	for kills > 0 {
		w.load(ready)
		had := len(post.Got())
		where := ""
		for n := range min(kills, chain) {
			d := w.daemon()
			at := time.Duration(float64(w.start)*0.7 + w.dice.Float64()*float64(took)*0.8)
			time.Sleep(at)
			_ = d.Process.Kill()
			_ = d.Wait()
			where = fmt.Sprintf("kill %d of a daemon, after %v", n, at)
			count[w.middle(where, true, before, after)]++
			held(t, w.dir)
			kills--
		}
		w.letRun()
		if d := stateOf(t, w.dir).unlike(want); d != "" {
			t.Errorf("%s: the archive isn't what it is without a kill:\n%s", where, d)
		}
		w.cameOnce(post.Got()[had:])
		if t.Failed() {
			t.FailNow()
		}
		if kills%50 < chain {
			t.Logf("%d kills are left; so far %v", kills, count)
		}
	}
	t.Logf("kills in a run of %v: %v", took.Round(time.Millisecond), count)
	return count
}

// spoiledInSafe is the file that is altered where the daemon is to notice it, and the only one.
var spoiledInSafe = killFiles[2]

// daemonsWork makes an archive in which a daemon has all kinds of things to do, and the server
// that its letters go to. It is kept as a row's is.
func (w *killWorld) daemonsWork() *mailtest.Server {
	w.t.Helper()
	post := mailtest.Start(w.t, nil)
	w.load(w.base)
	w.config("kind = \"optical\"\n", "kind = \"optical\"\n[store.safe]\nkind = \"disk\"\nown_drive = true\nvisiting = true\nrate = \"3MB/s\"\nread_within = \"90d\"\ndrill_within = \"30d\"\n"+
		"sets = { masters = \"safe/masters\" }\n[mail]\nserver = \""+post.Addr+"\"\ntls = \"none\"\nfrom = \"firmus@quillmere.example\"\nto = [\"archivist@quillmere.example\", \"technician@quillmere.example\"]\n")
	for _, f := range killFiles {
		if strings.HasPrefix(f, "masters/") {
			w.put("safe/"+f, w.get("studio/"+f))
		}
	}
	w.flip("safe/"+spoiledInSafe, 90_000)
	for n := range 4 {
		name := fmt.Sprintf("access/QV-0110/QV-0110_%d.wav", n)
		w.put("studio/"+name, tune(name, 600, false))
		w.put("vault/"+name, tune(name, 600, false))
	}
	w.sql(`UPDATE backup SET at = at - 86400000000000`)
	w.save(w.base + "-row")
	return post
}

// daemonCommand is a daemon of the archive, in a process of its own.
func (w *killWorld) daemonCommand() *exec.Cmd {
	c := exec.Command(os.Args[0])
	c.Dir, c.Env = w.dir, append(os.Environ(), beDaemon+"="+filepath.Join(w.dir, "firmus.toml"))
	return c
}

// daemon starts one, which writes its log beside the archive.
func (w *killWorld) daemon() *exec.Cmd {
	w.t.Helper()
	c := w.daemonCommand()
	log, err := os.OpenFile(filepath.Join(w.base+"-log"), os.O_CREATE|os.O_APPEND|os.O_WRONLY, 0o600)
	if err != nil {
		w.t.Fatal(err)
	}
	defer log.Close()
	c.Stderr = log
	if err := c.Start(); err != nil {
		w.t.Fatal(err)
	}
	return c
}

// letRun lets a daemon run until all is done but what isn't waited for, and stops it in order. It
// says how long it ran.
func (w *killWorld) letRun(but ...string) time.Duration {
	w.t.Helper()
	// A letter whose sender was killed waits for some minutes, since the server may have it: they
	// are over here.
	past, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state", "ledger.db")+"?_pragma=busy_timeout(5000)")
	if err != nil {
		w.t.Fatal(err)
	}
	if _, err := past.Exec(`UPDATE letter_to SET due_at = 1 WHERE sent_at = 0 AND failed_at = 0`); err != nil {
		w.t.Fatal(err)
	}
	_ = past.Close()
	begun := func() int {
		log, _ := os.ReadFile(w.base + "-log")
		return bytes.Count(log, []byte(`msg="the daemon runs"`))
	}
	before := begun()
	d := w.daemon()
	began := time.Now()
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state", "ledger.db")+"?mode=ro")
	if err != nil {
		w.t.Fatal(err)
	}
	defer db.Close()
	lacks := ""
	for {
		if lacks = lacking(db, but...); lacks == "" && begun() == before {
			lacks = "its beginning" // it clears away what was left
		}
		if lacks == "" {
			break
		}
		if time.Since(began) > 90*time.Second {
			_ = d.Process.Kill()
			_ = d.Wait()
			log, _ := os.ReadFile(w.base + "-log")
			w.t.Fatalf("a daemon doesn't come to its end: %s\n%s", lacks, log[max(0, len(log)-4000):])
		}
		time.Sleep(20 * time.Millisecond)
	}
	took := time.Since(began)
	_ = db.Close()
	// All may have been done before it came to hearing signals, and who runs this may have it
	// pass over the first.
	ended := make(chan error, 1)
	go func() { ended <- d.Wait() }()
	err = fmt.Errorf("it doesn't stop")
	for began := time.Now(); time.Since(began) < time.Minute; {
		_ = d.Process.Signal(os.Interrupt) // it may have ended
		select {
		case err = <-ended:
		case <-time.After(time.Second):
			continue
		}
		break
	}
	if d.ProcessState == nil {
		_ = d.Process.Kill()
		w.t.Fatalf("%v: %v", err, <-ended)
	}
	if err != nil && d.ProcessState.ExitCode() >= 0 {
		w.t.Errorf("a daemon that was stopped in order: %v", err)
	}
	return took
}

// lacking says what a daemon has still to do.
func lacking(db *sql.DB, but ...string) string {
	for what, query := range map[string]string{
		"the visit":    `SELECT count(*) FROM firing WHERE job = 'visit' AND store = 'safe' AND outcome = 'done'`,
		"new files":    `SELECT count(*) = 11 FROM file`,
		"the drill":    `SELECT count(*) FROM event WHERE verb = 'drilled' AND store = 'safe'`,
		"the backups":  `SELECT count(*) = 2 FROM backup WHERE at > unixepoch() * 1000000000 - 3600000000000`,
		"the letters":  `SELECT count(*) > 0 AND (SELECT count(*) FROM letter_to WHERE sent_at = 0) = 0 FROM letter`,
		"the readings": `SELECT count(*) = 0 FROM instance WHERE due_at < 0`,
	} {
		var done int64
		if slices.Contains(but, what) {
			continue
		}
		if err := db.QueryRow(query).Scan(&done); err != nil || done == 0 {
			return fmt.Sprintf("%s (%v)", what, err)
		}
	}
	return ""
}

// cameOnce holds the letters that came against the outbox: each came, to each address, and
// under one Message-ID.
func (w *killWorld) cameOnce(came []mailtest.Received) {
	w.t.Helper()
	got := map[string]bool{}
	for _, m := range came {
		got[strings.Trim(m.Parse(w.t).Header.Get("Message-Id"), "<>")+" "+m.To] = true
	}
	db, err := sql.Open("sqlite", "file:"+filepath.Join(w.dir, "state", "ledger.db"))
	if err != nil {
		w.t.Fatal(err)
	}
	defer db.Close()
	rows, err := db.Query(`SELECT message_id || ' ' || address FROM letter JOIN letter_to ON letter = id`)
	if err != nil {
		w.t.Fatal(err)
	}
	defer rows.Close()
	n := 0
	for rows.Next() {
		var key string
		if err := rows.Scan(&key); err != nil {
			w.t.Fatal(err)
		}
		n++
		if !got[key] {
			w.t.Errorf("a letter never came: %s", key)
		}
	}
	if n != len(got) {
		w.t.Errorf("%d letters are in the outbox, %d came: %v", n, len(got), got)
	}
}
