package pages_test

import (
	"fmt"
	"net/http"
	"regexp"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/pages"
	"firmus/cmd/firmus/internal/people"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

var minute = regexp.MustCompile(`\d\d:\d\d UTC`)

var parameter = regexp.MustCompile(`\{[^}]*\}`)

// fill makes an address of a pattern.
func fill(pattern string, id int64) (method, path string) {
	method, path, _ = strings.Cut(pattern, " ")
	path = strings.ReplaceAll(path, "{id}", fmt.Sprint(id))
	path = strings.ReplaceAll(path, "{name}", "vault")
	return method, parameter.ReplaceAllString(path, "x")
}

// A person's order that their role doesn't allow changes nothing and is an event. The
// table of routes says who may; this goes through all of it.
func TestRoles(t *testing.T) {
	w, id := damaged(t)
	viewer, technician := w.person("Vera", fixity.Viewer), w.person("Theo", fixity.Technician)
	events := func() (n int64) {
		w.view(func(t *ledger.Tx) (err error) { n, err = t.Log.Count(); return err })
		return n
	}
	acts := 0
	for pattern, needs := range pages.Routes() {
		if needs == "" {
			continue
		}
		method, path := fill(pattern, id)
		for b, role := range map[*browser]fixity.PersonRole{viewer: fixity.Viewer, technician: fixity.Technician} {
			if role.May(fixity.PersonRole(needs)) {
				continue
			}
			before := events()
			r := b.do(b.request(method, path, "saw", "00", "by", "somebody else", "reason", "because", "typed", "vault", "store", "vault"))
			if r.code != http.StatusForbidden {
				t.Errorf("%s as %s: %d", pattern, role, r.code)
			}
			got := events() - before
			if want := int64(0); pages.Posts(pattern) {
				acts++
				if want = 1; got != want {
					t.Errorf("%s as %s: %d events", pattern, role, got)
				}
			} else if got != want {
				t.Errorf("%s as %s: %d events", pattern, role, got)
			}
		}
	}
	if acts < 15 {
		t.Errorf("only %d acts were tried", acts)
	}
	if !w.finding(id).Open() {
		t.Error("the finding was settled")
	}
	w.view(func(t2 *ledger.Tx) error {
		var last ledger.Event
		n, err := t2.Log.Count()
		if err == nil {
			err = t2.Log.Each(n-1, 1, func(e ledger.Event) error { last = e; return nil })
		}
		if last.Verb != fixity.ActForbidden || !slices.Contains([]string{"Vera", "Theo"}, last.By) {
			t.Errorf("the record has %+v", last)
		}
		return err
	})
	page := viewer.get(fmt.Sprintf("/findings/%d", id))
	if page.code != 200 || strings.Contains(page.text, "<button>Put it right") || strings.Contains(page.text, "Leave it</button>") {
		t.Errorf("a viewer is offered an act: %d", page.code)
	}
}

// Acts carry the account's name, whatever the form says.
func TestActsCarryTheAccount(t *testing.T) {
	w, id := damaged(t)
	b := w.person("Ada", fixity.Reviewer)
	b.follow(b.post(fmt.Sprintf("/findings/%d/settle", id), "saw", b.saw(id), "by", "Somebody Else", "reason", "known"))
	if f := w.finding(id); f.SettledBy != "Ada" {
		t.Errorf("settled by %q", f.SettledBy)
	}
}

func TestGuessingIsSlowedDown(t *testing.T) {
	w := newWorld(t, worldConfig)
	w.person("Ada", fixity.Reviewer)
	b := w.browser()
	refused, slowed := 0, 0
	for range 12 {
		switch r := b.post("/sign-in", "name", "Ada", "password", "a wrong long password"); r.code {
		case http.StatusUnauthorized:
			refused++
		case http.StatusTooManyRequests:
			slowed++
		default:
			t.Fatalf("%d", r.code)
		}
	}
	if refused != 5 || slowed != 7 {
		t.Errorf("%d tries were answered, %d slowed down", refused, slowed)
	}
	// The right password has to wait too: else it would be told by that.
	if r := b.post("/sign-in", "name", "Ada", "password", passphrase); r.code != http.StatusTooManyRequests {
		t.Errorf("the right one at once: %d", r.code)
	}
	w.pass(3 * time.Second)
	if r := b.post("/sign-in", "name", "Ada", "password", passphrase, "next", "/findings"); r.code != http.StatusSeeOther || r.header.Get("Location") != "/findings" {
		t.Errorf("after a while: %d to %q", r.code, r.header.Get("Location"))
	}
	// Nothing tells whether there is such an account.
	w.pass(time.Minute) // the address is held up still
	one := w.browser().post("/sign-in", "name", "Nobody", "password", "a wrong long password")
	w.pass(time.Minute)
	two := w.browser().post("/sign-in", "name", "Ada", "password", "a wrong long password")
	if one.code != http.StatusUnauthorized || one.code != two.code || minute.ReplaceAllString(strings.ReplaceAll(one.text, "Nobody", "Ada"), "") != minute.ReplaceAllString(two.text, "") {
		t.Errorf("a name that isn't there is answered otherwise: %d %d", one.code, two.code)
	}
}

func TestNeeds(t *testing.T) {
	w := newWorld(t, worldConfig)
	ctx, l, now := t.Context(), w.app.Ledger, w.now()
	beyond := people.Needs{Any: true}
	if err := beyond.Check(ctx, l); err == nil {
		t.Error("the net is let in without accounts")
	}
	w.person("Ada", fixity.Reviewer)
	if err := beyond.Check(ctx, l); err != nil {
		t.Error(err)
	}
	if err := people.Remove(ctx, l, now, "Ada", beyond, "the test"); err == nil {
		t.Error("the last account was removed while the net is let in")
	}
	for _, bad := range []string{"short", "Ada", strings.Repeat("x", 1025)} {
		if err := people.Add(ctx, l, now, "Ben", bad, fixity.Viewer, "the test"); err == nil {
			t.Errorf("the password %.12q was taken", bad)
		}
	}
	for _, bad := range []string{"", " Ada", "A\u202eda", "A\x00", strings.Repeat("x", 65), "\xff"} {
		if err := people.CheckName(bad); err == nil {
			t.Errorf("the name %q was taken", bad)
		}
	}
}
