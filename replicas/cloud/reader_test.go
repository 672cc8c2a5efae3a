package cloud_test

import (
	"bytes"
	"context"
	"crypto/sha256"
	"errors"
	"io"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
)

// noise is n bytes without a pattern.
func noise(n int) []byte {
	b := make([]byte, n)
	x := uint32(2463534242)
	for i := range b {
		x ^= x << 13
		x ^= x >> 17
		x ^= x << 5
		b[i] = byte(x)
	}
	return b
}

// one is an archive whose masters hold one file, and that file.
func one(t *testing.T, data []byte, change func(*cloud.Options)) (a *cloudtest.Archive, f *cloud.Folder, e fixity.Entry, id string) {
	t.Helper()
	a = cloudtest.NewArchive(t, true, change)
	id = a.Put(a.Masters, "QV-0107/a.wav", data)
	f = a.Store.Set("masters", nil)
	e, err := f.Stat(context.Background(), "QV-0107/a.wav")
	check(t, err)
	a.Reset()
	return a, f, e, id
}

// TestResumedRead: a transfer that breaks in every way is taken up where it
// stopped, and gives each byte once.
func TestResumedRead(t *testing.T) {
	data := noise(3 << 20)
	a, f, e, _ := one(t, data, func(o *cloud.Options) { o.Stall = 100 * time.Millisecond })
	for _, x := range []drivetest.Fault{
		{CutAfter: 1 << 20},
		{CutAfter: 100_000},
		{Status: 503, Reason: "backendError"},
		{Status: 502, HTML: "<html>502</html>"},
		{Status: 403, Reason: "userRateLimitExceeded"},
		{Stall: 1_200_000},
		{EndAfter: 50_000},
		{Drop: true},
	} {
		x.Method = mediaCall
		a.Inject(x)
	}
	got, err := cloudtest.Whole(f, e, 0)
	if err != nil || !bytes.Equal(got, data) {
		t.Fatalf("%d bytes, same %v, %v", len(got), bytes.Equal(got, data), err)
	}
	var sent int64
	for _, c := range a.Calls() {
		sent += c.Sent
		if c.Method == mediaCall && !strings.HasPrefix(c.Range, "bytes=") {
			t.Errorf("asked without a range: %q", c.Range)
		}
	}
	if most := int64(len(data)) + 1<<20; sent > most { // what was on the way when it stalled
		t.Errorf("%d bytes were sent for %d", sent, len(data))
	}
	if got, err := cloudtest.Whole(f, e, 2_000_000); err != nil || !bytes.Equal(got, data[2_000_000:]) {
		t.Errorf("from an offset: %d bytes, %v", len(got), err)
	}
}

// TestReadThatNeverGoesOn ends, and says that the service wasn't reached; one that
// breaks again and again, while the service answers, is a matter of that file alone.
func TestReadThatNeverGoesOn(t *testing.T) {
	for name, x := range map[string]drivetest.Fault{
		"cut":     {CutAfter: 1000},
		"stalled": {Stall: 1000},
		"outage":  {Status: 503, Reason: "backendError"},
	} {
		t.Run(name, func(t *testing.T) {
			data := noise(1 << 20)
			a, f, e, _ := one(t, data, func(o *cloud.Options) { o.Stall = 30 * time.Millisecond })
			x.Method, x.Count = mediaCall, -1
			a.Inject(x)
			got, err := cloudtest.Whole(f, e, 0)
			is(t, err, cloud.ErrLater)
			if away := name != "cut"; errors.Is(err, fixity.ErrAway) != away {
				t.Errorf("away, want %v: %v", away, err)
			}
			if !bytes.Equal(got, data[:len(got)]) {
				t.Error("wrong bytes before the end")
			}
			a.Close() // a call is counted when it ends
			if n := a.Count(mediaCall); n != 6 {
				t.Errorf("tried %d times", n)
			}
		})
	}
}

// TestBytesThatAreNotWhatWasPromised: each is an error that says which.
func TestBytesThatAreNotWhatWasPromised(t *testing.T) {
	data := noise(100_000)
	for name, c := range map[string]struct {
		faults []drivetest.Fault
		lie    map[string]any
		want   string
	}{
		"fewer, as if that were all": {[]drivetest.Fault{{EndAfter: 60_000}, {Count: -1, EndAfter: -1}}, nil, "has 100000 bytes, and ends after 60000"},
		"more":                       {[]drivetest.Fault{{Count: -1, Extra: 5}}, nil, "has 100000 bytes, and gives more"},
		"a size that is too large":   {nil, map[string]any{"size": "100001"}, "it has 100000 bytes"},
		"a size that is too small":   {nil, map[string]any{"size": "99999"}, "it has 100000 bytes"},
	} {
		t.Run(name, func(t *testing.T) {
			a, f, e, id := one(t, data, nil)
			if c.lie != nil {
				a.Lie(id, c.lie)
				var err error
				e, err = f.Stat(context.Background(), e.Path)
				check(t, err)
			}
			for _, x := range c.faults {
				x.Method = mediaCall
				a.Inject(x)
			}
			_, err := cloudtest.Whole(f, e, 0)
			is(t, err, fixity.ErrUnreadable)
			if err == nil || !strings.Contains(err.Error(), c.want) {
				t.Errorf("%v, want %q", err, c.want)
			}
			if n := a.Count(mediaCall); n > 4 {
				t.Errorf("tried %d times", n)
			}
		})
	}
}

// TestRotIsSeenByReadingOnly: the service reports the old digest for ever.
func TestRotIsSeenByReadingOnly(t *testing.T) {
	data := noise(1 << 16)
	a, f, e, id := one(t, data, nil)
	a.Rot(id, 777)
	again, err := f.Stat(context.Background(), e.Path)
	if err != nil || again != e {
		t.Errorf("rot shows without reading: %+v, %+v, %v", e, again, err)
	}
	r, err := f.Open(context.Background(), again, 0)
	check(t, err)
	defer r.Close()
	sums, err := digest.Options{Algorithms: []fixity.Algorithm{fixity.SHA256}}.Read(context.Background(), r)
	check(t, err)
	got, _ := sums.Get(fixity.SHA256)
	want := sha256.Sum256(data)
	if got == e.Reported || e.Reported != fixity.DigestOf(fixity.SHA256, want[:]) {
		t.Errorf("read %v, reported %v", got, e.Reported)
	}
}

// TestWrongBytesOnTheWay are given as they come: that they are wrong is for the
// digest to say.
func TestWrongBytesOnTheWay(t *testing.T) {
	data := noise(10_000)
	a, f, e, _ := one(t, data, nil)
	for _, at := range []int64{0, 1, 4999, 9999} {
		a.Inject(drivetest.Fault{Method: mediaCall, Flip: true, FlipAt: at})
		got, err := cloudtest.Whole(f, e, 0)
		want := bytes.Clone(data)
		want[at] ^= 1
		if err != nil || !bytes.Equal(got, want) {
			t.Errorf("byte %d: %v", at, err)
		}
	}
}

// TestReadMeetsAnotherVersion in every place where one may come between.
func TestReadMeetsAnotherVersion(t *testing.T) {
	data, after := noise(1<<20), bytes.Repeat([]byte{7}, 1<<20)
	cut := drivetest.Fault{Method: mediaCall, CutAfter: 300_000}
	for name, when := range map[string]drivetest.Fault{
		"while the first byte is asked for": {Method: mediaCall, CutAfter: 300_000},
		"between two transfers":             {Method: mediaCall, Skip: 1},
		"before it is taken up again":       {Method: getCall, Skip: 1},
		"at the very end":                   {Method: getCall, Skip: 2},
	} {
		t.Run(name, func(t *testing.T) {
			a, f, e, id := one(t, data, nil)
			when.Hook = func() { a.Write(id, after) }
			a.Inject(when)
			a.Inject(cut)
			got, err := cloudtest.Whole(f, e, 0)
			is(t, err, fixity.ErrChanged)
			if errors.Is(err, fixity.ErrAway) {
				t.Error(err)
			}
			if len(got) > len(data) {
				t.Error(len(got))
			}
		})
	}
}

func TestFileGoesWhileItIsRead(t *testing.T) {
	for name, c := range map[string]struct {
		do   func(a *cloudtest.Archive, id string)
		want error
		not  error
	}{
		"deleted":          {func(a *cloudtest.Archive, id string) { a.Delete(id) }, fixity.ErrVanished, fixity.ErrAway},
		"no longer shared": {func(a *cloudtest.Archive, id string) { a.Hide(a.Folder, true) }, fixity.ErrAway, fixity.ErrVanished},
	} {
		t.Run(name, func(t *testing.T) {
			a, f, e, id := one(t, noise(1<<20), nil)
			a.Inject(drivetest.Fault{Method: mediaCall, CutAfter: 1000})
			a.Inject(drivetest.Fault{Method: getCall, Skip: 1, Hook: func() { c.do(a, id) }})
			_, err := cloudtest.Whole(f, e, 0)
			is(t, err, c.want)
			if errors.Is(err, c.not) {
				t.Errorf("%v: says %q too", err, c.not)
			}
		})
	}
}

// TestOneFileOnly: what is wrong with one file stops nothing else.
func TestOneFileOnly(t *testing.T) {
	for name, c := range map[string]struct {
		fault drivetest.Fault
		want  error
	}{
		"forbidden":            {drivetest.Fault{Method: mediaCall, Status: 403, Reason: "cannotDownloadFile"}, fixity.ErrDenied},
		"held to be harmful":   {drivetest.Fault{Method: mediaCall, Status: 403, Reason: "cannotDownloadAbusiveFile"}, fixity.ErrDenied},
		"downloaded too often": {drivetest.Fault{Method: mediaCall, Status: 403, Reason: "downloadQuotaExceeded"}, fixity.ErrDenied},
		"the same, elsewhere":  {drivetest.Fault{Method: mediaCall, Status: 403, Reason: "quotaExceeded", Location: "quota.download"}, fixity.ErrDenied},
		"for no known reason":  {drivetest.Fault{Method: mediaCall, Status: 403, Reason: "somethingNew"}, fixity.ErrDenied},
		"all used up":          {drivetest.Fault{Method: mediaCall, Status: 403, Reason: "dailyLimitExceeded"}, cloud.ErrTomorrow},
		"blind":                {drivetest.Fault{Method: mediaCall, Status: 401, Reason: "authError"}, cloud.ErrBlind},
	} {
		t.Run(name, func(t *testing.T) {
			a, f, e, _ := one(t, []byte("abc"), nil)
			a.Inject(c.fault)
			_, err := cloudtest.Whole(f, e, 0)
			is(t, err, c.want)
			if away := errors.Is(err, fixity.ErrAway); away != (c.want == cloud.ErrBlind) {
				t.Errorf("%v: away %v", err, away)
			}
			if n := a.Count(mediaCall); n != 1 {
				t.Errorf("tried %d times", n)
			}
			if _, err := cloudtest.Whole(f, e, 0); err != nil {
				t.Error(err)
			}
		})
	}
	a, f, e, id := one(t, []byte("abc"), nil)
	a.Forbid(id)
	_, err := f.Open(context.Background(), e, 0)
	is(t, err, fixity.ErrDenied)
	if a.Count(mediaCall) != 0 {
		t.Error("asked for what the service said is forbidden")
	}
}

// TestAPageInsteadIsNeverAnUnreadableFile: a web page with status 200 is the service's failure. The file is never
// told as one that the medium won't give.
func TestAPageInsteadIsNeverAnUnreadableFile(t *testing.T) {
	a, f, e, _ := one(t, []byte("abc"), nil)
	a.Inject(drivetest.Fault{Method: mediaCall, Status: 200, Count: -1, HTML: "<html><body>We'll be right back</body></html>"})
	if _, err := cloudtest.Whole(f, e, 0); !errors.Is(err, cloud.ErrLater) || errors.Is(err, fixity.ErrUnreadable) {
		t.Errorf("a page instead of the bytes: %v", err)
	}
}

func TestEmptyFileIsNotAskedFor(t *testing.T) {
	a, f, e, _ := one(t, nil, nil)
	got, err := cloudtest.Whole(f, e, 0)
	if err != nil || len(got) != 0 || a.Count(mediaCall) != 0 {
		t.Errorf("%d bytes, %v, %d requests for bytes", len(got), err, a.Count(mediaCall))
	}
}

// TestCloseEndsARead that waits for bytes.
func TestCloseEndsARead(t *testing.T) {
	a, f, e, _ := one(t, noise(1<<20), nil)
	a.Inject(drivetest.Fault{Method: mediaCall, Stall: 1000})
	r, err := f.Open(context.Background(), e, 0)
	check(t, err)
	_, err = io.ReadFull(r, make([]byte, 1000))
	check(t, err)
	done := make(chan error)
	go func() { _, err := r.Read(make([]byte, 10)); done <- err }()
	time.Sleep(20 * time.Millisecond)
	check(t, r.Close())
	if err := <-done; err == nil || err == io.EOF {
		t.Errorf("the Read ended with %v", err)
	}
}

func BenchmarkRead(b *testing.B) {
	a := cloudtest.NewArchive(b, true, nil)
	const size = 32 << 20
	id := a.Put(a.Masters, "a.wav", noise(size))
	f := a.Store.Set("masters", nil)
	e, err := f.Stat(context.Background(), "a.wav")
	check(b, err)
	d := cloudtest.Drive(b, a.Server)
	b.Run("baseline client", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			it, err := d.Get(context.Background(), id)
			check(b, err)
			r, err := d.Open(context.Background(), it, 0)
			check(b, err)
			n, err := io.Copy(io.Discard, r)
			r.Close()
			if n != size || err != nil {
				b.Fatal(n, err)
			}
		}
	})
	b.Run("Reader", func(b *testing.B) {
		b.SetBytes(size)
		for b.Loop() {
			r, err := f.Open(context.Background(), e, 0)
			check(b, err)
			n, err := io.Copy(io.Discard, struct{ io.Reader }{r})
			r.Close()
			if n != size || err != nil {
				b.Fatal(n, err)
			}
		}
	})
}
