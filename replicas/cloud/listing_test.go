package cloud_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
	"firmus/replicas/testing/replicatest"
)

const (
	listCall  = "drive.files.list"
	getCall   = "drive.files.get"
	mediaCall = "drive.files.get#media"
)

// paths are what a set shows, and the error that a listing ended with.
func paths(t *testing.T, f *cloud.Folder) ([]string, error) {
	t.Helper()
	all, err := replicatest.All(t, f)
	var out []string
	for _, e := range all {
		out = append(out, e.Path)
	}
	slices.Sort(out)
	return out, err
}

func check(t testing.TB, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}

func is(t *testing.T, err error, want ...error) {
	t.Helper()
	for _, w := range want {
		if !errors.Is(err, w) {
			t.Errorf("%v: not %q", err, w)
		}
	}
}

// both runs a test in a shared drive and in a person's own.
func both(t *testing.T, test func(t *testing.T, shared bool)) {
	t.Run("shared drive", func(t *testing.T) { test(t, true) })
	t.Run("own drive", func(t *testing.T) { test(t, false) })
}

// TestListingCost: the requests for a listing grow with the files of a shared
// drive by the thousand, with the folders of a person's own by forty.
func TestListingCost(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		a := cloudtest.NewArchive(t, shared, nil)
		const folders, files = 200, 3400
		var dirs []string
		for i := range folders {
			dirs = append(dirs, a.AddFolder(a.Masters, fmt.Sprintf("QV-%04d", i)))
		}
		for i := range files {
			a.AddFile(dirs[i%folders], fmt.Sprintf("%04d.wav", i), []byte{byte(i)})
		}
		a.Reset()
		for _, f := range []*cloud.Folder{a.Store.Set("masters", nil), a.Store.Set("access", nil)} {
			got, err := paths(t, f)
			check(t, err)
			if n := len(got); n != files && n != 0 {
				t.Errorf("%d files, want %d", n, files)
			}
		}
		want := 4 // 3,604 things by the thousand
		if !shared {
			want = 2 + 5 // the root, the sets, and five times forty folders of 17 files
		}
		if n := a.Count(listCall); n != want {
			t.Errorf("%d listings, want %d", n, want)
		}
		if n := a.Count(""); n != want+4 { // the root twice, and the log twice
			t.Errorf("%d calls in all, want %d", n, want+4)
		}
		for _, c := range a.Calls() {
			if len(c.Query.Encode()) > 4000 {
				t.Errorf("a query of %d bytes", len(c.Query.Encode()))
			}
		}
	})
}

func TestListingHalvesWhatIsTooMuch(t *testing.T) {
	a := cloudtest.NewArchive(t, false, func(o *cloud.Options) { o.Batch = 1000 })
	for i := range 300 {
		a.AddFile(a.AddFolder(a.Masters, fmt.Sprintf("QV-%04d", i)), "a.wav", []byte{1})
	}
	got, err := paths(t, a.Store.Set("masters", nil))
	if err != nil || len(got) != 300 {
		t.Errorf("%d files, %v", len(got), err)
	}
}

// TestReported: the strongest digest that is there is given; one that isn't is
// never made up.
func TestReported(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.AddFile(a.Masters, "both.wav", []byte("abc"))
	md5 := a.AddFile(a.Masters, "md5.wav", []byte("abc"))
	none := a.AddFile(a.Masters, "none.wav", []byte("abc"))
	a.AddFile(a.Masters, "empty.wav", nil)
	a.Lie(md5, map[string]any{"sha256Checksum": nil})
	a.Lie(none, map[string]any{"sha256Checksum": nil, "md5Checksum": nil, "sha1Checksum": nil})
	all, err := replicatest.All(t, a.Store.Set("masters", nil))
	check(t, err)
	got := map[string]string{}
	for _, e := range all {
		got[e.Path] = e.Reported.String()
	}
	want := map[string]string{ // FIPS 180-4 and RFC 1321, of "abc" and of nothing
		"both.wav":  "sha256:ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad",
		"md5.wav":   "md5:900150983cd24fb0d6963f7d28e17f72",
		"none.wav":  "",
		"empty.wav": "sha256:e3b0c44298fc1c149afbf4c8996fb92427ae41e4649b934ca495991b7852b855",
	}
	for path, w := range want {
		if got[path] != w {
			t.Errorf("%s: %q, want %q", path, got[path], w)
		}
	}
}

// TestListingThatIsNotComplete: whatever keeps a listing from being complete, it
// says so, and shows that the files may not be called missing.
func TestListingThatIsNotComplete(t *testing.T) {
	html := "<html><title>502</title><body>Bad gateway</body></html>"
	for name, c := range map[string]struct {
		fault drivetest.Fault
		also  []error
		not   error
	}{
		"incomplete search": {drivetest.Fault{Method: listCall, Skip: 1, Incomplete: true}, nil, fixity.ErrAway},
		"rejected tokens":   {drivetest.Fault{Method: listCall, Skip: 1, Count: -1, Status: 400, Reason: "invalid", Message: "Invalid Value", Location: "pageToken"}, nil, fixity.ErrAway},
		"outage":            {drivetest.Fault{Method: listCall, Skip: 1, Count: -1, Status: 502, HTML: html}, []error{fixity.ErrAway, cloud.ErrLater}, cloud.ErrBlind},
		"broken lines":      {drivetest.Fault{Method: listCall, Skip: 1, Count: -1, Drop: true}, []error{fixity.ErrAway, cloud.ErrLater}, cloud.ErrBlind},
		"too many calls":    {drivetest.Fault{Method: listCall, Count: -1, Status: 403, Reason: "userRateLimitExceeded"}, []error{cloud.ErrLater}, fixity.ErrAway},
		"used up":           {drivetest.Fault{Method: listCall, Status: 403, Reason: "dailyLimitExceeded"}, []error{cloud.ErrTomorrow}, fixity.ErrAway},
		"dead credential":   {drivetest.Fault{Method: listCall, Skip: 1, Status: 401, Reason: "authError"}, []error{cloud.ErrBlind, fixity.ErrAway}, cloud.ErrLater},
		"no log":            {drivetest.Fault{Method: "drive.changes.list", Count: -1, Status: 500, Reason: "internalError"}, []error{fixity.ErrAway}, cloud.ErrBlind},
	} {
		t.Run(name, func(t *testing.T) {
			a := cloudtest.NewArchive(t, true, nil)
			for i := range 1500 {
				a.AddFile(a.Masters, fmt.Sprintf("%04d.wav", i), nil)
			}
			a.Inject(c.fault)
			var got []fixity.Entry
			var last error
			for e, err := range a.Store.Set("masters", nil).List(context.Background(), "") {
				if last = err; err == nil {
					got = append(got, e)
				}
			}
			is(t, last, append(c.also, fixity.ErrIncomplete)...)
			if errors.Is(last, c.not) {
				t.Errorf("%v: says %q too", last, c.not)
			}
			if strings.Contains(last.Error(), "<") {
				t.Errorf("%v: has a page in it", last)
			}
			if n := a.Count(""); n > 40 {
				t.Errorf("%d calls", n)
			}
			a.Reset() // the fault is over
			if got, err := paths(t, a.Store.Set("masters", nil)); err != nil || len(got) != 1500 {
				t.Errorf("afterwards %d files, %v", len(got), err)
			}
		})
	}
}

// TestListingGoesOn: what passes is waited for, and the listing is complete.
func TestListingGoesOn(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	for i := range 2500 {
		a.AddFile(a.Masters, fmt.Sprintf("%04d.wav", i), nil)
	}
	a.Inject(drivetest.Fault{Method: listCall, Skip: 1, Status: 403, Reason: "rateLimitExceeded"})
	a.Inject(drivetest.Fault{Method: listCall, Skip: 1, Status: 503, HTML: "<html>Sorry</html>"})
	a.Inject(drivetest.Fault{Method: listCall, Skip: 1, Status: 429, Reason: "rateLimitExceeded", Header: http.Header{"Retry-After": {"45"}}})
	a.Inject(drivetest.Fault{Method: listCall, Skip: 1, Status: 400, Reason: "invalid", Location: "pageToken"}) // and from the beginning
	got, err := paths(t, a.Store.Set("masters", nil))
	if err != nil || len(got) != 2500 {
		t.Errorf("%d files, %v", len(got), err)
	}
	waits := a.Clock.Waits()
	if len(waits) != 3 {
		t.Fatalf("waited %v", waits)
	}
	for i, w := range waits {
		lo, hi := time.Second<<i/2, time.Second<<i
		if i == 2 { // as the service asked
			lo, hi = 45*time.Second, 45*time.Second
		}
		if w < lo || w > hi {
			t.Errorf("wait %d: %v, want between %v and %v", i, w, lo, hi)
		}
	}
}

// TestServiceThatAsksToWaitTooLong isn't waited for.
func TestServiceThatAsksToWaitTooLong(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.Inject(drivetest.Fault{Method: listCall, Status: 503, Reason: "backendError", Header: http.Header{"Retry-After": {"3600"}}})
	_, err := paths(t, a.Store.Set("masters", nil))
	is(t, err, fixity.ErrIncomplete, cloud.ErrLater)
	if w := a.Clock.Waits(); len(w) != 0 {
		t.Errorf("waited %v", w)
	}
}

// TestMovesWhileListing: what moves to a page that has been shown is on no page;
// the log of changes has it.
func TestMovesWhileListing(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		a := cloudtest.NewArchive(t, shared, nil)
		for i := range 1200 {
			a.AddFile(a.Masters, fmt.Sprintf("%04d.wav", i), nil)
		}
		away := a.AddFolder(a.Access, "box")
		a.AddFile(away, "x.wav", []byte("x"))
		gone := a.Find(a.Masters, "0003.wav")
		a.Reset()
		skip := 1
		if !shared {
			skip = 3 // the second page of the sets
		}
		a.Inject(drivetest.Fault{Method: listCall, Skip: skip, Hook: func() {
			a.AddFile(a.Masters, "late.wav", []byte("late"))
			a.Delete(gone)
			a.Move(away, a.Masters)
			a.Rename(a.Find(a.Masters, "0004.wav"), "four.wav")
			a.Bin(a.Find(a.Masters, "0005.wav"), true)
		}})
		got, err := paths(t, a.Store.Set("masters", nil))
		check(t, err)
		for path, want := range map[string]bool{"late.wav": true, "0003.wav": false, "box/x.wav": true, "0004.wav": false, "four.wav": true, "0005.wav": false} {
			if slices.Contains(got, path) != want {
				t.Errorf("%s shown: %v", path, !want)
			}
		}
		if len(got) != 1200 {
			t.Errorf("%d files", len(got))
		}
	})
}

// TestStaleListing: what an earlier listing showed and a later one doesn't is asked
// for by id; if it is there, nothing may be called missing.
func TestStaleListing(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		a := cloudtest.NewArchive(t, shared, nil)
		x := a.AddFile(a.Masters, "x.wav", []byte("x"))
		a.AddFile(a.Masters, "y.wav", []byte("y"))
		f := a.Store.Set("masters", nil)
		got, err := paths(t, f)
		if err != nil || len(got) != 2 {
			t.Fatal(got, err)
		}
		a.Omit(x, true)
		_, err = paths(t, f)
		is(t, err, fixity.ErrIncomplete)
		if err == nil || !strings.Contains(err.Error(), "x.wav") {
			t.Errorf("%v: doesn't name the file", err)
		}
		a.Omit(x, false)
		if got, err := paths(t, f); err != nil || len(got) != 2 {
			t.Error(got, err)
		}
		a.Reset()
		a.Delete(x)
		if got, err := paths(t, f); err != nil || len(got) != 1 {
			t.Error(got, err)
		}
		want := 2 // a second listing of one page
		if !shared {
			want = 4
		}
		if n := a.Count(listCall); n != want {
			t.Errorf("%d listings of what lost a file, want %d", n, want)
		}
	})
}

// TestListingThatLosesEverySecond shows that a page with holes is noticed.
func TestListingThatLosesEverySecond(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	for i := range 500 {
		a.AddFile(a.Masters, fmt.Sprintf("%04d.wav", i), nil)
	}
	f := a.Store.Set("masters", nil)
	_, err := paths(t, f)
	check(t, err)
	a.Reset()
	a.Inject(drivetest.Fault{Method: listCall, Count: 2, Half: true})
	_, err = paths(t, f)
	is(t, err, fixity.ErrIncomplete)
	if n := a.Count(getCall); n > 210 {
		t.Errorf("%d files were asked for", n)
	}
}

// TestAccessLostHalfway: whoever isn't let in any more gets empty answers.
func TestAccessLostHalfway(t *testing.T) {
	a := cloudtest.NewArchive(t, false, nil)
	for i := range 60 {
		a.AddFile(a.AddFolder(a.Masters, fmt.Sprintf("QV-%04d", i)), "a.wav", []byte{1})
	}
	a.Inject(drivetest.Fault{Method: listCall, Skip: 2, Hook: func() { a.Hide(a.Folder, true) }})
	_, err := paths(t, a.Store.Set("masters", nil))
	is(t, err, fixity.ErrIncomplete, fixity.ErrAway)
}

// TestFrozenListing: an old listing shows what is no more; that is found when it
// is read.
func TestFrozenListing(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	x := a.AddFile(a.Masters, "x.wav", []byte("x"))
	a.Freeze()
	f := a.Store.Set("masters", nil)
	_, err := paths(t, f)
	check(t, err)
	a.Write(x, []byte("y"))
	all, err := replicatest.All(t, f)
	check(t, err)
	if len(all) != 1 {
		t.Fatal(all)
	}
	// Between the listing and the log's token nothing is known to have changed.
	_, err = f.Open(context.Background(), all[0], 0)
	is(t, err, fixity.ErrChanged)
	a.Delete(x)
	_, err = f.Stat(context.Background(), "x.wav")
	is(t, err, fixity.ErrVanished)
}

// TestListingIsSharedByAnAudit: a listing serves each of its uses once, so an audit costs one.
func TestListingIsSharedByAnAudit(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.Put(a.Masters, "QV-0107/a.wav", []byte("a"))
	a.Put(a.Masters, "QV-0108/b.wav", []byte("b"))
	a.Put(a.Access, "QV-0107/a.wav", []byte("a"))
	audit := func() {
		for _, set := range []string{"masters", "access"} {
			f := a.Store.Set(set, nil) // anew each time, as an audit does
			shards, err := f.Shards(context.Background())
			check(t, err)
			for _, s := range shards {
				for e, err := range a.Store.Set(set, nil).List(context.Background(), s) {
					check(t, err)
					if _, err := f.Stat(context.Background(), e.Path); err != nil {
						t.Error(err)
					}
				}
			}
		}
	}
	a.Reset()
	audit()
	if n := a.Count(listCall); n != 1 {
		t.Errorf("the first audit made %d listings", n)
	}
	audit()
	if n := a.Count(listCall); n != 2 {
		t.Errorf("two audits made %d listings", n)
	}
	// An audit's second look at what is gone is its own: the next one looks again.
	_, err := a.Store.Set("masters", nil).Confirm(context.Background(), []cloud.Lost{{Path: "QV-0107/b.wav"}})
	check(t, err)
	a.Put(a.Masters, "QV-0109/c.wav", []byte("c"))
	audit()
	if n := a.Count(listCall); n != 4 {
		t.Errorf("three audits and a second look made %d listings", n)
	}
	if got, err := paths(t, a.Store.Set("masters", nil)); err != nil || !slices.Contains(got, "QV-0109/c.wav") {
		t.Errorf("%q, %v", got, err)
	}
	a.Reset()
	a.Clock.Add(2 * time.Hour)
	_, err = a.Store.Set("masters", nil).Stat(context.Background(), "QV-0199/c.wav")
	is(t, err, fixity.ErrVanished)
	if n := a.Count(listCall); n != 1 {
		t.Errorf("that nothing is there was believed of a listing of two hours ago (%d listings)", n)
	}
}
