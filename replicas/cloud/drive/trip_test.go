package drive_test

import (
	"context"
	"errors"
	"runtime"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
)

// TestAWithdrawnTokenNeverBlindsAnAudit: a token that isn't good before its time is
// replaced once, by all who meet that; a credential that gives none that is good is dead.
func TestAWithdrawnTokenNeverBlindsAnAudit(t *testing.T) {
	ctx := context.Background()
	a, d := locked(t, time.Now)
	blind := func(what string) {
		t.Helper()
		if _, err := d.Get(ctx, a.Folder); !errors.Is(err, cloud.ErrBlind) {
			t.Errorf("%s: %v", what, err)
		}
	}
	for range 3 {
		if _, err := d.Get(ctx, a.Folder); err != nil {
			t.Fatal(err)
		}
		a.KillTokens("", "")
	}
	var wg sync.WaitGroup
	for range 8 {
		wg.Go(func() {
			if _, err := d.Get(ctx, a.Folder); err != nil {
				t.Error(err)
			}
		})
	}
	wg.Wait()
	a.Reset()
	a.Inject(drivetest.Fault{Method: "drive.files.get", Count: -1, Status: 401, Reason: "authError", Message: "Invalid Credentials"})
	blind("each token is refused")
	if n := a.Count(""); n != 2 {
		t.Errorf("%d calls, want 2", n)
	}
	a.Heal()
	a.KillTokens("invalid_grant", "Token has been expired or revoked.")
	blind("no token is given")
	a.KillTokens("", "")
	if _, err := d.Get(ctx, a.Folder); err != nil {
		t.Errorf("tokens are given again: %v", err)
	}
}

// TestAnAnswerIsNeverTakenWithoutEnd: what is longer than an answer can be is broken off.
func TestAnAnswerIsNeverTakenWithoutEnd(t *testing.T) {
	// What is broken off is no answer by the discovery document: nothing is held against it.
	a, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(a.Close)
	folder := a.AddFolder(drivetest.Root, "masters")
	d := cloudtest.Drive(t, a)
	a.Inject(drivetest.Fault{Method: "drive.files.list", Blanks: 1 << 40})
	var before, after runtime.MemStats
	runtime.ReadMemStats(&before)
	var e *cloud.Error
	if _, err := d.Page(context.Background(), cloud.Query{Parents: []string{folder}}, ""); !errors.As(err, &e) || e.Class != cloud.Later {
		t.Errorf("%v", err)
	}
	runtime.ReadMemStats(&after)
	// A bound of 64 MiB would take 508 MB; the race detector takes more for all it watches.
	if n := after.TotalAlloc - before.TotalAlloc; n > 320<<20 {
		t.Errorf("%d bytes were taken for it", n)
	}
	a.Inject(drivetest.Fault{Method: "drive.files.list", Blanks: 1 << 20})
	if _, err := d.Page(context.Background(), cloud.Query{Parents: []string{folder}}, ""); err != nil {
		t.Errorf("a long answer: %v", err)
	}
	// Of real items, too: more of them than a page can have, and more than an answer can need.
	a.AddFile(folder, "QV-0107_A.wav", []byte("recording"))
	for times, want := range map[int]string{1001: "a page of 1000 was asked for, and has 1001", 60_000: "the answer doesn't end"} {
		a.Inject(drivetest.Fault{Method: "drive.files.list", Times: times})
		p, err := d.Page(context.Background(), cloud.Query{Parents: []string{folder}}, "")
		if !errors.As(err, &e) || e.Class != cloud.Later || !strings.Contains(err.Error(), want) || len(p.Items) > 0 {
			t.Errorf("a page of %d items: %d, %v", times, len(p.Items), err)
		}
	}
	a.Inject(drivetest.Fault{Method: "drive.files.list", Times: 1000})
	if p, err := d.Page(context.Background(), cloud.Query{Parents: []string{folder}}, ""); err != nil || len(p.Items) != 1000 {
		t.Errorf("a full page: %d items, %v", len(p.Items), err)
	}
}
