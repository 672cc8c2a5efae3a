package app_test

import (
	"bytes"
	"crypto/sha256"
	"encoding/hex"
	"fmt"
	"math/rand/v2"
	"net"
	"net/mail"
	"os"
	"path"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/fixity/ledger"
)

// listed says that the manifest in a file's folder has just its digest.
func (w *world) listed(p string) bool {
	b, err := os.ReadFile(w.path("studio/" + p))
	if err != nil {
		return false
	}
	m, err := os.ReadFile(w.path("studio/" + path.Dir(p) + "/manifest-sha256.txt"))
	sum := sha256.Sum256(b)
	return err == nil && bytes.Contains(m, []byte(hex.EncodeToString(sum[:])+"  "+path.Base(p)))
}

func killedInLetters(t *testing.T) {
	t.Parallel()
	l, err := net.Listen("tcp", "127.0.0.1:0")
	if err != nil {
		t.Fatal(err)
	}
	var k killAt
	post := &postOffice{moment: k.at}
	post.serve(t, l)
	w := newWorld(t, worldConfig+fmt.Sprintf(`
[mail]
server = %q
tls = "none"
from = "firmus@quillmere.example"
to = ["archivist@quillmere.example", "technician@quillmere.example"]
`, l.Addr()))
	times := killings(70)
	name := func(i int) string { return fmt.Sprintf("masters/QV-%04d/QV-%04d_A.wav", i, i) }
	w.now = time.Now().Add(-24 * time.Hour)
	for i := range times {
		w.write("studio/"+name(i), name(i), 9_000+i)
		w.copy("studio/"+name(i), "vault/"+name(i))
	}
	w.now = time.Now()
	w.intake()
	w.audit(acts.AuditOrder{})
	dice := rand.New(rand.NewPCG(5, 6))
	for i := range times {
		if err := os.Remove(w.path("studio/" + name(i))); err != nil {
			t.Fatal(err)
		}
		w.now = time.Now()
		w.audit(acts.AuditOrder{Stores: []string{"studio"}})
		c := w.start("")
		k.mu.Lock()
		k.child, k.moment = c, i%5
		hit := k.hit
		k.mu.Unlock()
		// Each fifth is killed anywhere: while it is starting, or writing the letters.
		for end := time.Now().Add(time.Duration(100+dice.IntN(200)) * time.Millisecond); ; time.Sleep(5 * time.Millisecond) {
			k.mu.Lock()
			over := k.hit > hit || i%5 == 4 && time.Now().After(end) || time.Now().After(end.Add(10*time.Second))
			if over {
				k.child = nil
			}
			k.mu.Unlock()
			if over {
				break
			}
		}
		c.kill()
		w.now = time.Now()
		a := w.open()
		w.consistent(a)
		a.Close()
		if t.Failed() {
			t.Fatalf("after kill %d\n%s", i, w.log())
		}
	}
	if k.hit < times*3/5 {
		t.Errorf("only %d of %d kills hit the middle of sending", k.hit, times)
	}
	w.brought("sending", func(x *ledger.Tx) (bool, error) {
		c, err := x.Post.Counts()
		told, err2 := x.Post.Told()
		if err == nil {
			err = err2
		}
		return c.Waiting == 0 && len(told) >= times, err
	})

	// What came, by Message-ID and recipient.
	came, subjects := map[string]int{}, map[string]string{}
	post.mu.Lock()
	for _, text := range post.letters {
		m, err := mail.ReadMessage(strings.NewReader(text))
		if err != nil {
			t.Fatal(err)
		}
		id := m.Header.Get("Message-Id")
		came[id+" "+m.Header.Get("To")]++
		if s := m.Header.Get("Subject"); subjects[id] == "" {
			subjects[id] = s
		} else if subjects[id] != s {
			t.Errorf("%s came with two subjects: %q and %q", id, subjects[id], s)
		}
	}
	post.mu.Unlock()
	again := 0
	for _, n := range came {
		again += n - 1
	}
	sent := 0
	about := map[string]int{} // letters by the file they tell of
	w.view(func(x *ledger.Tx) error {
		ds, err := x.Post.Deliveries(0)
		ids := map[string]int64{}
		for _, d := range ds {
			if was, ok := ids[d.Letter.MessageID]; ok && was != d.Letter.ID {
				t.Errorf("two letters are %s", d.Letter.MessageID)
			}
			ids[d.Letter.MessageID] = d.Letter.ID
			key := "<" + d.Letter.MessageID + "> <" + d.Address + ">"
			if came[key] == 0 {
				t.Errorf("%q never came to %s", d.Letter.Subject, d.Address)
			}
			delete(came, key)
			sent++
			if d.Address == "archivist@quillmere.example" {
				for i := range times {
					if strings.Contains(d.Letter.Text, fmt.Sprintf("QV-%04d_A", i)) {
						about[name(i)]++
					}
				}
			}
		}
		fs, err2 := x.Findings.Open("studio")
		if len(fs) < times {
			t.Errorf("%d findings are open, want one for each of %d files", len(fs), times)
		}
		if err == nil {
			err = err2
		}
		return err
	})
	for key := range came {
		t.Errorf("came, and is in no outbox: %s", key)
	}
	for i := range times {
		if about[name(i)] == 0 {
			t.Errorf("no letter tells of %s", name(i))
		}
	}
	t.Logf("%d kills, %d in the middle of sending; %d letters, of which %d came twice", times, k.hit, sent, again)
}
