package cloud_test

import (
	"context"
	"errors"
	"fmt"
	"maps"
	"testing"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
)

var _ audit.Store = (*cloud.Folder)(nil)

// small is an archive of three files.
func small(t *testing.T, shared bool) (*cloudtest.Archive, *cloud.Folder, map[string]string) {
	a := cloudtest.NewArchive(t, shared, nil)
	want := map[string]string{"QV-0107/a.wav": "one", "QV-0107/b/c.wav": "two", "d.wav": "three"}
	for path, data := range want {
		a.Put(a.Masters, path, []byte(data))
	}
	a.Reset()
	return a, a.Store.Set("masters", nil), want
}

// TestEachCallFails: whichever call to the service fails, once or from then on, an
// audit sees all or says that it doesn't; never that a file is gone.
func TestEachCallFails(t *testing.T) {
	outage := drivetest.Fault{Status: 503, Reason: "backendError"}
	for name, c := range map[string]struct {
		fault drivetest.Fault
		once  bool
	}{
		"an outage":        {outage, true},
		"a page instead":   {drivetest.Fault{Status: 502, HTML: "<html>Bad gateway</html>"}, true},
		"too many calls":   {drivetest.Fault{Status: 403, Reason: "userRateLimitExceeded"}, true},
		"no answer":        {drivetest.Fault{Drop: true}, true},
		"outage for good":  {outage, false},
		"no answer at all": {drivetest.Fault{Drop: true}, false},
		"shut out":         {drivetest.Fault{Status: 401, Reason: "authError"}, false},
	} {
		both(t, func(t *testing.T, shared bool) {
			t.Run(name, func(t *testing.T) {
				for k := 0; ; k++ {
					a, f, want := small(t, shared)
					c.fault.Skip, c.fault.Count = k, 1
					if !c.once {
						c.fault.Count = -1
					}
					a.Inject(c.fault)
					got, err := cloudtest.Seen(f)
					met := a.Count("") > k
					a.Close()
					switch {
					case c.once && (err != nil || !maps.Equal(got, want)):
						t.Errorf("call %d: %v, %v", k, got, err)
					case !c.once && met && !errors.Is(err, fixity.ErrAway):
						t.Errorf("call %d: %v, %v", k, got, err)
					case errors.Is(err, fixity.ErrVanished), errors.Is(err, fixity.ErrChanged), errors.Is(err, fixity.ErrUnreadable):
						t.Errorf("call %d: %v", k, err)
					}
					if !met {
						if err != nil || !maps.Equal(got, want) || k < 15 {
							t.Errorf("after %d calls, none of which failed: %v, %v", k, got, err)
						}
						break
					}
				}
			})
		})
	}
}

// TestEachByteIsWrong: the bytes are given as they came, so that the digest differs.
func TestEachByteIsWrong(t *testing.T) {
	a, f, e, id := one(t, []byte("sixteen bytes :)"), nil)
	for k := range e.Size {
		a.Rot(id, k)
		got, err := cloudtest.Whole(f, e, 0)
		if err != nil || string(got) == "sixteen bytes :)" {
			t.Errorf("byte %d: %q, %v", k, got, err)
		}
		a.Rot(id, k) // and right again
	}
}

// TestNoMemberOfTheDrive: a folder of a shared drive can be shared by itself.
func TestNoMemberOfTheDrive(t *testing.T) {
	a, f, want := small(t, true)
	a.NoMember(a.Parent(a.Folder))
	got, err := cloudtest.Seen(f)
	if err != nil || !maps.Equal(got, want) {
		t.Errorf("%v, %v", got, err)
	}
	id, err := f.Identify(context.Background())
	if err != nil || id.Empty || id.Store != fmt.Sprintf("drive %s folder %s", a.Parent(a.Folder), a.Folder) {
		t.Errorf("%+v, %v", id, err)
	}
	p, err := a.Store.Check(context.Background(), "masters", "access")
	if err != nil || len(p) != 1 || p[0].Grave || p[0].Do == "" {
		t.Errorf("%+v, %v", p, err)
	}
	w, err := a.Store.Changes(context.Background(), "")
	if err != nil || w.Token == "" {
		t.Errorf("%+v, %v", w, err)
	}
}
