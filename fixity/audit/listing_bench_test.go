package audit_test

import (
	"os"
	"os/exec"
	"runtime"
	"slices"
	"strconv"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/ledger"
)

// BenchmarkListing is an audit in which nothing is due, beside find over the same files, one
// after the other: time by the wall for each file, and how many times that of find, as
// medians. FIRMUS_AUDIT_FILES says how many files there are.
func BenchmarkListing(b *testing.B) {
	if runtime.GOOS != "linux" {
		b.Skip("find -printf is GNU's")
	}
	n := 20_000
	if s := os.Getenv("FIRMUS_AUDIT_FILES"); s != "" {
		var err error
		if n, err = strconv.Atoi(s); err != nil {
			b.Fatal(err)
		}
	}
	w := many(b, n)
	dir := w.at("shelf", "masters").dir
	plain := ledger.Audit{Store: "shelf", Kind: ledger.Plain, Sets: []string{"masters"}, Cache: fixity.Bypassed, By: "a test"}
	w.audit(plain) // what is kept of inodes is known from now on
	var ours, theirs []time.Duration
	for b.Loop() {
		begun := time.Now()
		if err := exec.Command("find", dir, "-printf", "%p %s %T@\n").Run(); err != nil {
			b.Fatal(err)
		}
		theirs = append(theirs, time.Since(begun))
		begun = time.Now()
		if _, p := w.audit(plain); p.Listed != int64(n) || p.Read != 0 {
			b.Fatalf("%d listed, %d read", p.Listed, p.Read)
		}
		ours = append(ours, time.Since(begun))
	}
	slices.Sort(ours)
	slices.Sort(theirs)
	o, t := ours[len(ours)/2], theirs[len(theirs)/2]
	b.ReportMetric(float64(o.Microseconds())/float64(n), "µs/file")
	b.ReportMetric(float64(t.Microseconds())/float64(n), "find-µs/file")
	b.ReportMetric(float64(o)/float64(t), "times-find")
}
