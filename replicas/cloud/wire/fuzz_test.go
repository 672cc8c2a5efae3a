package wire_test

import (
	"net/http"
	"strings"
	"testing"
	"time"

	"firmus/replicas/cloud/wire"
)

// FuzzPairsIn: of a text with secrets all is there that was asked for, or what is wrong is
// told without any of them.
func FuzzPairsIn(f *testing.F) {
	for _, s := range []string{"user = ada\npassword = word\n", "[default]\r\nuser=ada\r\n; note\r\npassword= w=rd ", "\ufeffuser = a\nuser = b\npassword = c", "user\npassword", "# \n"} {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, text []byte) {
		got, wrong := wire.PairsIn(text, []string{"user", "password"}, "token")
		if wrong != "" {
			return
		}
		for _, k := range []string{"user", "password"} {
			if v := got[k]; v == "" || strings.TrimSpace(v) != v || !strings.Contains(string(text), v) {
				t.Errorf("%s is %q", k, v)
			}
		}
	})
}

// FuzzAfter: a service asks to wait for a while, or not at all.
func FuzzAfter(f *testing.F) {
	for _, s := range []string{"120", "-1", "99999999999", "Sun, 01 Mar 2026 12:02:00 GMT", "Sun, 01 Mar 0001 12:02:00 GMT", "1.5"} {
		f.Add(s)
	}
	now := time.Date(2026, 3, 1, 12, 0, 0, 0, time.UTC)
	f.Fuzz(func(t *testing.T, s string) {
		if d := wire.After(http.Header{"Retry-After": {s}}, now); d < 0 {
			t.Errorf("%q: %s", s, d)
		}
	})
}
