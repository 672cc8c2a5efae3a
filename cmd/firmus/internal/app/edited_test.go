package app_test

import (
	"encoding/binary"
	"regexp"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/testdata"
)

// trimmed is a WAVE of testdata.Wave as an editor writes it anew: without its first n
// samples, and with a header of its new length.
func trimmed(b []byte, n int) []byte {
	out := append(append([]byte{}, b[:44]...), b[44+n:]...)
	binary.LittleEndian.PutUint32(out[4:], uint32(len(out)-8))
	binary.LittleEndian.PutUint32(out[40:], uint32(len(out)-44))
	return out
}

// Somebody trims an access file long after it was finished, and saves it: the next audit finds
// it, the daemon's letter asks first, and what its first step says ends it.
func TestAnEditIsAskedAboutFromTheAuditToTheSignOff(t *testing.T) {
	t.Parallel()
	w, addr := daemonWorld(t, "[mail]\nserver = \"127.0.0.1:1\"\nfrom = \"firmus@quillmere.example\"\nto = [\"archivist@quillmere.example\"]\ntls = \"none\"\n")
	const file = "access/QV-0107/QV-0107_A_01.wav"
	whole := testdata.Wave("QV-0107", 44+8000*60)
	w.now = time.Now().Add(-40 * 24 * time.Hour)
	w.put("studio/"+file, whole, w.now)
	w.copy("studio/"+file, "vault/"+file)
	w.now = w.now.Add(time.Hour)
	w.intake()
	w.audit(acts.AuditOrder{})
	w.now = time.Now()
	w.audit(acts.AuditOrder{})

	r := w.daemon(addr)
	r.watches("studio", "access")
	w.put("studio/"+file, trimmed(whole, 8000*2), time.Now().Add(-time.Minute))
	if s := w.audit(acts.AuditOrder{Stores: []string{"studio"}, Wait: time.Minute})["studio"]; len(s.Findings) != 1 || s.Findings[0].Kind != "altered" {
		t.Fatalf("the audit found %v", kinds(s))
	}
	var text string
	r.within(time.Minute, "a letter waits", func() bool {
		a := w.open()
		defer a.Close()
		if err := a.Ledger.View(t.Context(), func(x *ledger.Tx) error {
			ds, err := x.Post.Deliveries(0)
			for _, d := range ds {
				text = d.Letter.Text
			}
			return err
		}); err != nil {
			t.Fatal(err)
		}
		return text != ""
	})
	r.stop()
	step := regexp.MustCompile(`(?s)Do this\n +1\. Was this edited on purpose\?.*?firmus findings signoff (\d+)\s`).FindStringSubmatch(text)
	if step == nil {
		t.Fatalf("the first step isn't to ask:\n%s", text)
	}
	for _, s := range []string{"0:01:00", "0:00:58", file} {
		if !strings.Contains(text, s) {
			t.Errorf("the letter lacks %q:\n%s", s, text)
		}
	}
	id, _ := strconv.ParseInt(step[1], 10, 64)
	w.now = time.Now()
	a := w.open()
	if _, err := a.Deciding.SignOff(t.Context(), deciding.SignOffOrder{Findings: []int64{id}, Reason: "trimmed for the site"}); err != nil {
		t.Fatal(err)
	}
	a.Close()
	rs := w.audit(acts.AuditOrder{})
	if s := rs["studio"]; len(s.Findings) != 0 || s.States[fixity.Intact] != 4 {
		t.Errorf("the studio after it: %v, %+v", kinds(s), s.States)
	}
	if v := rs["vault"]; len(v.Findings) != 0 || v.States[fixity.Behind] != 1 {
		t.Errorf("the vault after it: %v, %+v", kinds(v), v.States)
	}
}
