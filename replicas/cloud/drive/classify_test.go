package drive_test

import (
	"context"
	"errors"
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
)

func class(err error) cloud.Class {
	var e *cloud.Error
	if errors.As(err, &e) {
		return e.Class
	}
	return 0
}

// TestErrors: what each answer means, by its reason and only then by its status
// (guide "Resolve errors", 2026-04-01).
func TestErrors(t *testing.T) {
	s := cloudtest.Start(t)
	d := cloudtest.Drive(t, s)
	html := "<!DOCTYPE html><html><title>Error 502</title></html>"
	for _, c := range []struct {
		status int
		reason string
		html   string
		where  string // location
		want   cloud.Class
	}{
		{400, "invalid", "", "q", cloud.Refused},
		{400, "badRequest", "", "", cloud.Refused},
		{401, "authError", "", "", cloud.Blind},
		{401, "", html, "", cloud.Blind},
		{403, "userRateLimitExceeded", "", "", cloud.Later},
		{403, "rateLimitExceeded", "", "", cloud.Later},
		{403, "sharingRateLimitExceeded", "", "", cloud.Later},
		{429, "rateLimitExceeded", "", "", cloud.Later},
		{429, "", html, "", cloud.Later},
		{403, "dailyLimitExceeded", "", "", cloud.Tomorrow},
		{403, "quotaExceeded", "", "", cloud.Tomorrow},
		{403, "quotaExceeded", "", "quota.download", cloud.ThisFile},
		{403, "downloadQuotaExceeded", "", "", cloud.ThisFile},
		{403, "cannotDownloadFile", "", "", cloud.ThisFile},
		{403, "cannotDownloadAbusiveFile", "", "", cloud.ThisFile},
		{403, "fileNotDownloadable", "", "", cloud.ThisFile},
		{403, "insufficientFilePermissions", "", "", cloud.ThisFile},
		{403, "appNotAuthorizedToFile", "", "", cloud.ThisFile},
		{403, "domainPolicy", "", "", cloud.Blind},
		{403, "accessNotConfigured", "", "", cloud.Blind},
		{403, "insufficientPermissions", "", "", cloud.Blind},
		{403, "teamDriveMembershipRequired", "", "", cloud.NotVisible},
		{403, "a new reason", "", "", cloud.Blind},
		{403, "", html, "", cloud.Blind},
		{404, "notFound", "", "", cloud.NotVisible},
		{404, "", html, "", cloud.NotVisible},
		{408, "", html, "", cloud.Later},
		{500, "internalError", "", "", cloud.Later},
		{500, "backendError", "", "", cloud.Later},
		{502, "", html, "", cloud.Later},
		{503, "transientError", "", "", cloud.Later},
		{504, "", "", "", cloud.Later},
	} {
		s.Inject(drivetest.Fault{Method: "drive.files.get", Status: c.status, Reason: c.reason, Message: "the message", HTML: c.html, Location: c.where})
		_, err := d.Get(context.Background(), "x")
		if class(err) != c.want {
			t.Errorf("%d %s %s: %v, want %v (%v)", c.status, c.reason, c.where, class(err), c.want, err)
		}
		if err == nil || strings.Contains(err.Error(), "<") {
			t.Errorf("%d %s: %v", c.status, c.reason, err)
		}
		if n := s.Count(""); n != 1 {
			t.Errorf("%d %s: the client tried %d times", c.status, c.reason, n)
		}
		s.Reset()
	}
}

// TestSentinels: what package fixity's errors say of each class.
func TestSentinels(t *testing.T) {
	all := []error{fixity.ErrAway, fixity.ErrDenied, fixity.ErrVanished, fixity.ErrUnreadable, cloud.ErrLater, cloud.ErrTomorrow, cloud.ErrBlind}
	for _, c := range []struct {
		err  cloud.Error
		want []error
	}{
		{cloud.Error{Class: cloud.Later}, []error{cloud.ErrLater, fixity.ErrAway}},
		{cloud.Error{Class: cloud.Later, Status: 503}, []error{cloud.ErrLater, fixity.ErrAway}},
		{cloud.Error{Class: cloud.Later, Status: 429}, []error{cloud.ErrLater}},
		{cloud.Error{Class: cloud.Tomorrow, Status: 403}, []error{cloud.ErrTomorrow}},
		{cloud.Error{Class: cloud.ThisFile, Status: 403}, []error{fixity.ErrDenied}},
		{cloud.Error{Class: cloud.NotVisible, Status: 404}, nil},
		{cloud.Error{Class: cloud.Refused, Status: 400}, nil},
		{cloud.Error{Class: cloud.Blind, Status: 401}, []error{cloud.ErrBlind, fixity.ErrAway}},
	} {
		for _, s := range all {
			want := false
			for _, w := range c.want {
				want = want || w == s
			}
			if errors.Is(&c.err, s) != want {
				t.Errorf("%v is %q: %v", c.err.Class, s, !want)
			}
		}
	}
}

func TestRetryAfter(t *testing.T) {
	s := cloudtest.Start(t)
	d := cloudtest.Drive(t, s)
	for _, c := range []struct {
		value string
		lo    time.Duration
		hi    time.Duration
	}{
		{"17", 17 * time.Second, 17 * time.Second},
		{time.Now().Add(time.Minute).UTC().Format(http.TimeFormat), 50 * time.Second, time.Minute},
		{time.Now().Add(-time.Minute).UTC().Format(http.TimeFormat), 0, 0},
		{"soon", 0, 0}, {"-5", 0, 0}, {"", 0, 0},
	} {
		s.Inject(drivetest.Fault{Status: 503, Reason: "backendError", Header: http.Header{"Retry-After": {c.value}}})
		_, err := d.Get(context.Background(), "x")
		var e *cloud.Error
		if !errors.As(err, &e) || e.After < c.lo || e.After > c.hi {
			t.Errorf("%q: %v", c.value, e.After)
		}
	}
}

// TestNoAnswer: what never answered may answer later; what sends elsewhere is not
// followed.
func TestNoAnswer(t *testing.T) {
	s := cloudtest.Start(t)
	d := cloudtest.Drive(t, s)
	s.Inject(drivetest.Fault{Drop: true, Count: -1})
	_, err := d.Get(context.Background(), "x")
	if class(err) != cloud.Later || !errors.Is(err, fixity.ErrAway) {
		t.Error(err)
	}
	s.Reset()
	other := cloudtest.Start(t)
	s.Inject(drivetest.Fault{Redirect: other.Endpoint() + "files/x"})
	_, err = d.Get(context.Background(), "x")
	if class(err) != cloud.Refused || other.Count("") != 0 {
		t.Errorf("%v, %d calls elsewhere", err, other.Count(""))
	}
	ctx, cancel := context.WithTimeout(context.Background(), 30*time.Millisecond)
	defer cancel()
	s.Inject(drivetest.Fault{Wait: 5 * time.Second})
	_, err = d.Get(ctx, "x")
	if class(err) != cloud.Later || !errors.Is(err, context.DeadlineExceeded) {
		t.Error(err)
	}
}

// TestNotReached: what a person is told of a service that isn't there is short.
func TestNotReached(t *testing.T) {
	s := cloudtest.Start(t)
	d := cloudtest.Drive(t, s)
	s.Close()
	_, err := d.Get(context.Background(), "x")
	if class(err) != cloud.Later || !errors.Is(err, fixity.ErrAway) {
		t.Errorf("%v: %v", class(err), err)
	}
	if text := err.Error(); !strings.Contains(text, "not reached") || strings.Contains(text, "://") {
		t.Errorf("%q", text)
	}
}
