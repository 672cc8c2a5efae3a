package app_test

import (
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/clouds"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/report"
	"firmus/replicas/cloud/drive"
	"firmus/replicas/testing/drivetest"
)

const signedIn = `{"type": "authorized_user", "client_id": "c", "client_secret": "s", "refresh_token": "r"%s}`

// TestSignInEnds: the day on which a sign-in ends is shown where the service said it,
// and nowhere else.
func TestSignInEnds(t *testing.T) {
	t.Parallel()
	end := time.Date(2027, 1, 14, 12, 0, 0, 0, time.UTC)
	server, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	key, err := server.Key("auditor@quillmere.example", "quillmere")
	if err != nil {
		t.Fatal(err)
	}
	good := strings.Replace(string(key), server.TokenURL(), "https://oauth2.googleapis.com/token", 1)
	if file := t.TempDir() + "/key.json"; os.WriteFile(file, []byte(good), 0o600) != nil {
		t.Fatal("no key")
	} else if _, err := drive.LoadCredential(file); err != nil {
		t.Fatal(err)
	}
	for name, c := range map[string]struct {
		text string
		want time.Time
	}{
		"it was said":        {fmt.Sprintf(signedIn, `, "signed_in": "2027-01-07T12:00:00Z", "runs_out": "2027-01-14T12:00:00Z"`), end},
		"it was not said":    {fmt.Sprintf(signedIn, `, "signed_in": "2027-01-07T12:00:00Z"`), time.Time{}},
		"a key":              {good, time.Time{}},
		"no credential":      {`{"type": "external_account"}`, time.Time{}},
		"no credential file": {"", time.Time{}},
	} {
		file := t.TempDir() + "/key.json"
		if c.text != "" {
			if err := os.WriteFile(file, []byte(c.text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		st := config.Store{Name: "cloud", Kind: config.Cloud, Service: config.Drive, Credentials: file}
		if got := clouds.SignInEnds(st); !got.Equal(c.want) {
			t.Errorf("%s: %s", name, got)
		}
		notes := app.RunningOut(&config.Config{Stores: []config.Store{{Name: "studio", Kind: config.Disk}, st}}, end.AddDate(0, 0, -3))
		if want := !c.want.IsZero(); (len(notes) == 1) != want || want && fmt.Sprint(notes) != "[{Running out cloud sign-in: until 14 Jan}]" {
			t.Errorf("%s: %v", name, notes)
		}
	}
	for at, want := range map[time.Time]string{
		end.Add(-time.Second):     "sign-in: until 14 Jan",
		end:                       "sign-in: ended 14 Jan; sign in again",
		end.AddDate(0, -1, 0):     "sign-in: until 14 Jan 2027",
		end.AddDate(0, 0, -7):     "sign-in: until 14 Jan",
		end.AddDate(1, 0, 0):      "sign-in: ended 14 Jan 2027; sign in again",
		end.Add(30 * time.Minute): "sign-in: ended 14 Jan; sign in again",
	} {
		if got := report.SignInUntil(end, at); got != want {
			t.Errorf("%s: %q, want %q", at, got, want)
		}
	}
}

// TestSignInIsShown: the metric is there while the day is known, also after another
// sign-in.
func TestSignInIsShown(t *testing.T) {
	t.Parallel()
	addr := freeAddr(t)
	// Nothing is under care: the service is not asked for anything.
	w := newWorld(t, worldConfig+fmt.Sprintf(`
[store.cloud]
kind = "cloud"
service = "drive"
folder = "1AAAAAAAAAAAAAAAAAAAAAAAAAAAAAAAA"
sets = ["masters"]
credentials = "key.json"
schedule = "0 1 1 1 *"
[web]
listen = %q
`, addr))
	put := func(end time.Time) {
		text := fmt.Sprintf(signedIn, fmt.Sprintf(`, "runs_out": %q`, end.UTC().Format(time.RFC3339)))
		if err := os.WriteFile(w.path("key.json"), []byte(text), 0o600); err != nil {
			t.Fatal(err)
		}
	}
	first := time.Now().Add(50 * 24 * time.Hour).Truncate(time.Second)
	put(first)
	r := w.daemon(addr)
	shown := func(at time.Time) func() bool {
		return r.answers("/metrics", 200, fmt.Sprintf("firmus_credential_expiry_timestamp_seconds{store=\"cloud\"} %v", float64(at.Unix())))
	}
	r.within(time.Minute, "it is shown", shown(first))
	put(first.AddDate(0, 0, 7))
	r.within(time.Minute, "another", shown(first.AddDate(0, 0, 7)))
}
