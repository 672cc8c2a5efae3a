package pages_test

import (
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

const registerConfig = worldConfig + `[register]
file = "register.csv"
columns = { item = "Number", side = "Side", title = "Title", length = "Length", condition = "Condition", restricted = "Closed" }
`

// cell is a text as a CSV file has it.
func cell(s string) string { return `"` + strings.ReplaceAll(s, `"`, `""`) + `"` }

// register writes the register: a line for each row.
func (w *world) register(rows ...string) {
	w.t.Helper()
	text := "Number,Side,Title,Length,Condition,Closed,Shelf\n" + strings.Join(rows, "\n") + "\n"
	if err := os.WriteFile(filepath.Join(w.dir, "register.csv"), []byte(text), 0o644); err != nil {
		w.t.Fatal(err)
	}
}

func (w *world) readRegister() {
	w.t.Helper()
	r, err := w.app.Register().Read(w.t.Context())
	if err != nil || r.Failed != nil {
		w.t.Fatal(err, r.Failed)
	}
}

// hostileCells are cells that somebody may have typed, or copied from anywhere.
var hostileCells = []string{`<script>alert(1)</script>`, "turned \u202eround", `"><img src=x onerror=alert(1)>`, strings.Repeat("long ", 6551), "=1+1"}

// withRegister is an archive whose register was read twice, with hostile cells in both.
func withRegister(t *testing.T) *world {
	w := newWorld(t, registerConfig)
	w.put("masters/QV-0107/QV-0107_A.wav", "one", "studio", "vault")
	w.put("masters/QV-0108/QV-0108_A.wav", "two", "studio", "vault")
	w.intake()
	rows := []string{"QV-0107,A,The mill below the weir,9:59:00,sheds,no,R 7", "QV-0108,A,The salt road,,,yes,R 7"}
	for i, h := range hostileCells {
		rows = append(rows, fmt.Sprintf("QV-03%02d,A,%s,%s,,no,%s", i, cell(h), cell(h), cell(h)))
	}
	w.register(rows...)
	w.readRegister()
	w.pass(24 * time.Hour)
	rows[0] = "QV-0107,A,The mill below the weir,9:59:00,\"sheds, do not play again\",no,R 7"
	rows[1] = "QV-0108,A,The salt road once more,,,yes,R 7"
	for i, h := range hostileCells {
		rows[i+2] = fmt.Sprintf("QV-03%02d,A,%s,,%s,no,", i, cell(h+" still"), cell(h))
	}
	w.register(append(rows, "QV-0400,A,New,,,,")...)
	w.readRegister()
	return w
}

func TestRegisterBeforeOneIsConfigured(t *testing.T) {
	w := newWorld(t, worldConfig)
	b := w.entered()
	if r := b.get("/register"); r.code != http.StatusOK || !r.says("No register is configured") || !r.says("[register]") {
		t.Errorf("%d %s", r.code, r.text)
	}
	if r := b.get("/register/changes/1"); r.code != http.StatusNotFound {
		t.Errorf("%d", r.code)
	}
}

func TestRegisterPages(t *testing.T) {
	w := withRegister(t)
	b := w.entered()
	for path, says := range map[string][]string{
		"/register":             {"8 rows", "1 added", "7 changed", "a length that does not fit", "read for the first time"},
		"/register?kind=length": {"QV-0107"},
		"/register/changes/2":   {"sheds, do not play again", "as it was", "QV-0400"},
		"/register/changes/1":   {"nothing to compare it with"},
		"/register/rows/1/2":    {"The mill below the weir", "To copy back", "QV-0107\tA\tThe mill below the weir\t9:59:00\tsheds\tno\tR 7"},
		"/register/rows/1/4":    {"&lt;script&gt;"},
		"/register/rows/1/5":    {`turned \u202eround`},
		"/register/rows/1/7":    {strings.Repeat("long ", 6000)},
	} {
		r := b.get(path)
		if r.code != http.StatusOK {
			t.Errorf("%s: %d", path, r.code)
		}
		for _, s := range says {
			if !strings.Contains(r.text, s) && !r.says(s) {
				t.Errorf("%s doesn't say %.80q", path, s)
			}
		}
		for _, s := range []string{"<script>alert", "<img src=x", "\u202e"} {
			if i := strings.Index(r.text, s); i >= 0 && !(s == "\u202e" && strings.Contains(r.text, "<textarea")) {
				t.Errorf("%s has %q", path, s)
			}
		}
		if strings.HasPrefix(path, "/register/changes") && len(r.text) > 100<<10 {
			t.Errorf("%s has %d bytes", path, len(r.text))
		}
	}
	for _, path := range []string{"/register/changes/3", "/register/changes/0", "/register/changes/x", "/register/rows/1/99", "/register/rows/9/2", "/register/rows/1/-1"} {
		if r := b.get(path); r.code != http.StatusNotFound {
			t.Errorf("%s: %d", path, r.code)
		}
	}
	for _, f := range w.open() {
		if r := b.get("/findings/" + itoa(f.ID)); f.Subject != fixity.OfRegister || r.code != http.StatusOK || !r.says("the register") || !r.says("Leave it as it is") {
			t.Errorf("finding %d, %s: %d %s", f.ID, f.Kind, r.code, r.text)
		} else if bad := typed.FindString(r.text); bad != "" || !strings.Contains(r.text, `<a href="/register">choose “Read it now”`) {
			t.Errorf("finding %d, %s: its steps say %q, or don't lead to the form: %s", f.ID, f.Kind, bad, r.text)
		}
	}
	// A reading by the page: of a file that is gone nothing changes, and it says so.
	if err := os.Remove(filepath.Join(w.dir, "register.csv")); err != nil {
		t.Fatal(err)
	}
	if r := b.post("/register/read", "by", "Theo"); r.code < 400 || !r.says("stays in force") {
		t.Errorf("%d %s", r.code, r.text)
	}
	if r := b.get("/register"); !r.says("The last try failed") || !r.says("8 rows") {
		t.Error(r.text)
	}
}

// What the register restricts is kept from who only looks, on every page; what it frees is not.
func TestRegisterRestrictsItems(t *testing.T) {
	w := withRegister(t)
	w.flip("studio/masters/QV-0108/QV-0108_A.wav")
	w.flip("studio/masters/QV-0107/QV-0107_A.wav")
	w.audit()
	id := map[string]int64{}
	for _, f := range w.open() {
		if f.Subject == fixity.OfFile {
			id[f.Path[:7]] = f.ID
		}
	}
	if len(id) != 2 {
		t.Fatal(id)
	}
	viewer, technician := w.person("Vera", fixity.Viewer), w.person("Theo", fixity.Technician)
	hidden := []string{"QV-0108_A.wav", "salt road"}
	for _, path := range []string{"/", "/reels/QV-0108", "/findings", "/findings/" + itoa(id["QV-0108"]), "/register", "/register/changes/2", "/register/rows/2/3", "/search?q=QV-0108"} {
		r := viewer.get(path)
		for _, s := range hidden {
			if strings.Contains(r.text, s) {
				t.Errorf("%s shows %q to who only looks", path, s)
			}
		}
		if r.code != http.StatusOK {
			t.Errorf("%s: %d", path, r.code)
		}
	}
	if r := viewer.get("/print/reels/QV-0108"); r.code != http.StatusForbidden {
		t.Errorf("its statement: %d", r.code)
	}
	for path, says := range map[string]string{"/reels/QV-0107": "QV-0107_A.wav", "/findings/" + itoa(id["QV-0107"]): "QV-0107_A.wav", "/register/rows/2/2": "The mill below"} {
		if r := viewer.get(path); !strings.Contains(r.text, says) {
			t.Errorf("%s doesn't show what is free to who only looks", path)
		}
	}
	for path, says := range map[string]string{"/reels/QV-0108": "QV-0108_A.wav", "/register/rows/2/3": "salt road"} {
		if r := technician.get(path); !strings.Contains(r.text, says) {
			t.Errorf("%s is kept from a technician", path)
		}
	}
	// What it doesn't plainly free is restricted: a blank, and what has no row.
	w.register("QV-0107,A,The mill,,,,R 7")
	w.readRegister()
	for _, item := range []string{"QV-0107", "QV-0108"} {
		if r := viewer.get("/reels/" + item); strings.Contains(r.text, "_A.wav") {
			t.Errorf("%s is shown, and nothing frees it", item)
		}
	}
}

// A register as large as any: its pages come in pages.
func TestRegisterOfManyRows(t *testing.T) {
	w := newWorld(t, registerConfig)
	rows := make([]string, 20000)
	for i := range rows {
		rows[i] = fmt.Sprintf("QV-%05d,A,Song %d,%d:%02d,good,no,R %d", i, i, i%40, i%60, i/50)
	}
	w.register(rows...)
	began := time.Now()
	w.readRegister()
	t.Logf("read for the first time: %s", time.Since(began))
	for i := range rows {
		rows[i] = fmt.Sprintf("QV-%05d,A,Song %d,%d:%02d,good,no,R %d", i, 19999-i, i%40, i%60, i/50)
	}
	w.register(rows...)
	began = time.Now()
	w.readRegister()
	t.Logf("read with a column turned round: %s", time.Since(began))
	b := w.entered()
	for _, path := range []string{"/register", "/register/changes/2", "/register/changes/2?after=19000", "/register/rows/1/20001"} {
		began := time.Now()
		r := b.get(path)
		t.Logf("%s: %s, %d bytes", path, time.Since(began), len(r.text))
		if r.code != http.StatusOK || len(r.text) > 200<<10 {
			t.Errorf("%s: %d, %d bytes", path, r.code, len(r.text))
		}
	}
	if r := b.get("/register/changes/2"); !r.says("stand in other rows than before") {
		t.Error("nobody is told that the titles were torn from their rows")
	}
	w.view(func(x *ledger.Tx) error {
		vs, err := x.Register.Versions(0, 10)
		if len(vs) != 2 || vs[0].Changed != 20000 {
			t.Errorf("%+v", vs)
		}
		return err
	})
}

// Everybody can use its pages.
func TestRegisterIsAccessible(t *testing.T) {
	t.Parallel()
	text := axe(t)
	b := browsertest.New(t)
	w := withRegister(t)
	link, err := w.app.NewLink(t.Context(), strings.TrimPrefix(w.server.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	b.Open(link)
	b.Click("Open")
	for _, path := range []string{"/register", "/register?kind=length", "/register/changes/2", "/register/rows/1/2", "/register/rows/1/5", "/register/rows/1/7"} {
		b.Open(w.server.URL + path)
		fits(t, b, text, path)
		tabs(t, b, path)
		if dir := os.Getenv("FIRMUS_PICTURES"); dir != "" {
			b.Picture(filepath.Join(dir, strings.NewReplacer("/", "_", "?", "_", "=", "_").Replace(path)+".png"))
		}
	}
	other := newWorld(t, worldConfig)
	link, err = other.app.NewLink(t.Context(), strings.TrimPrefix(other.server.URL, "http://"))
	if err != nil {
		t.Fatal(err)
	}
	b.Open(link)
	b.Click("Open")
	b.Open(other.server.URL + "/register")
	fits(t, b, text, "/register without one")
}

// What lacks nearly all its rows, or looks half written, is believed by a person's word, with
// their name and reason.
func TestRegisterRowsAreGoneOnPurpose(t *testing.T) {
	w := newWorld(t, registerConfig)
	var rows []string
	for i := range 51 {
		rows = append(rows, fmt.Sprintf("QV-%04d,A,,,,,", i))
	}
	b := w.person("Theo", fixity.Technician)
	for _, left := range []int{2, 20} {
		w.register(rows...)
		w.readRegister()
		if r := b.get("/register"); r.says("gone on purpose") {
			t.Fatalf("%d: %s", left, r.text)
		}
		w.register(rows[:left]...)
		if r := b.follow(b.post("/register/read")); r.code == http.StatusOK && !r.says("stays in force") {
			t.Errorf("%d rows were believed: %s", left, r.text)
		}
		if r := b.get("/register"); !r.says("They are gone on purpose") || !r.says("51 rows") {
			t.Errorf("%d: %s", left, r.text)
		}
		if r := b.post("/register/fewer"); r.code != http.StatusUnprocessableEntity {
			t.Errorf("%d, without a reason: %d", left, r.code)
		}
		if r := b.follow(b.post("/register/fewer", "reason", "the other reels were given back")); !r.says(fmt.Sprintf("%d rows", left)) || r.says("gone on purpose") {
			t.Errorf("%d: %s", left, r.text)
		}
		w.view(func(x *ledger.Tx) error {
			e, err := x.Log.Last(fixity.RegisterKept, "")
			if e.By != "Theo" || e.Reason != "the other reels were given back" {
				t.Errorf("%+v", e)
			}
			return err
		})
	}
	if r := w.person("Vi", fixity.Viewer).post("/register/fewer", "reason", "x"); r.code != http.StatusForbidden {
		t.Errorf("a viewer: %d", r.code)
	}
}
