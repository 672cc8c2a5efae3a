package pages_test

import (
	"context"
	"errors"
	"fmt"
	"net/http"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/people"
	"firmus/cmd/firmus/testing/browsertest"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/fixity/testing/ledgertest"
	"firmus/testdata"
)

var twoPeople = strings.Replace(worldConfig, "role = \"master\"\n", "role = \"master\"\ntwo_people = true\n", 1)

// better is a world that asks for two people, in which a better transfer lies in the place of
// a master.
func better(t *testing.T) (*world, int64) {
	w := newWorld(t, twoPeople)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.put("masters/QV-0108/QV-0108_A.wav", "108A", "studio", "vault")
	w.intake()
	w.again("two")
	fs := w.open()
	if len(fs) != 1 || fs[0].Store != "studio" {
		t.Fatalf("%d findings: %+v", len(fs), fs)
	}
	return w, fs[0].ID
}

// again puts another transfer in the place of the master.
func (w *world) again(seed string) {
	w.t.Helper()
	if err := os.WriteFile(filepath.Join(w.dir, "studio/masters/QV-0107/QV-0107_A.wav"), testdata.Wave(seed, 210_000), 0o644); err != nil {
		w.t.Fatal(err)
	}
	w.audit()
}

// propose sends a sign-off, and gives the page of the proposal that it becomes.
func (b *browser) propose(id int64) string {
	b.w.t.Helper()
	r := b.follow(b.post(fmt.Sprintf("/findings/%d/sign-off", id), "saw", b.saw(id), "reason", "played on the better machine", "meant", "new-transfer"))
	all := b.w.waiting()
	if len(all) != 1 || !b.w.finding(id).Open() {
		b.w.t.Fatalf("%d proposals wait: %d %s", len(all), r.code, r.text)
	}
	return fmt.Sprintf("/proposals/%d", all[0].ID)
}

func (w *world) waiting() (out []ledger.Proposal) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) (err error) { out, err = t.Proposals.Waiting(); return err })
	return out
}

// told are the events of a file as "verb by confirmed_by".
func (w *world) told(file int64) (out []string) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) error {
		return t.Log.Of(file, func(e ledger.Event) error {
			second, _ := e.Told()["confirmed_by"].(string)
			out = append(out, strings.TrimSpace(fmt.Sprintf("%s %s %s", e.Verb, e.By, second)))
			return nil
		})
	})
	return out
}

// One account proposes, another confirms; one can't do both. Both names are in the record.
func TestTwoPeople(t *testing.T) {
	w, id := better(t)
	ada, tom, theo := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Reviewer), w.person("Theo", fixity.Technician)
	at := fmt.Sprintf("/findings/%d", id)
	if r := ada.get(at); !r.says("Two people decide this") || !r.says("Propose: Sign off the change") {
		t.Errorf("the page doesn't say so: %s", r.text)
	}
	p := ada.propose(id)
	if r := ada.get(p); !r.says("You proposed it") || strings.Contains(r.text, p+"/confirm") {
		t.Errorf("whoever proposed it: %s", r.text)
	}
	if r := ada.follow(ada.post(p+"/confirm", "looked", "yes")); !r.says("another person has to confirm it") || !w.finding(id).Open() {
		t.Errorf("the same account: %d %s", r.code, r.text)
	}
	if r := theo.post(p+"/confirm", "looked", "yes"); r.code != http.StatusForbidden {
		t.Errorf("a technician: %d", r.code)
	}
	if r := tom.follow(tom.post(at+"/sign-off", "saw", tom.saw(id), "reason", "so is it", "meant", "new-transfer")); !r.says("Ada Wren proposed something about it already") {
		t.Errorf("a second proposal: %d %s", r.code, r.text)
	}
	for _, path := range []string{"/", at} {
		if r := tom.get(path); !r.says("waits for a second person") {
			t.Errorf("%s doesn't tell of it: %s", path, r.text)
		}
	}
	if r := tom.post(p + "/confirm"); r.code != http.StatusUnprocessableEntity {
		t.Errorf("without the tick: %d", r.code)
	}
	if r := tom.follow(tom.post(p+"/confirm", "looked", "yes")); r.code != 200 || !r.says("A second person confirmed it") || w.finding(id).Settled != fixity.SignedOff {
		t.Fatalf("%d %s", r.code, r.text)
	}
	told := w.told(w.finding(id).File)
	if !slices.Contains(told, "proposed Ada Wren") || !slices.Contains(told, "signed-off Ada Wren Tom Reed") {
		t.Errorf("the record says %q", told)
	}
	if r := tom.get(at); !r.says("Ada Wren, confirmed by Tom Reed") {
		t.Errorf("the finding's page: %s", r.text)
	}
	if r := tom.follow(tom.post(p+"/confirm", "looked", "yes")); !r.says("has ended already") {
		t.Errorf("once more: %d", r.code)
	}
}

// A proposal whose subject has changed is void, and says so; one that was taken back is done
// by nobody; and both are over.
func TestProposalThatIsVoid(t *testing.T) {
	w, id := better(t)
	ada, tom := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Reviewer)
	p := ada.propose(id)
	w.again("three")
	if r := tom.get(p); !r.says("It is void, because what it was about has changed") || strings.Contains(r.text, p+"/confirm") {
		t.Errorf("the page: %s", r.text)
	}
	if r := tom.follow(tom.post(p+"/confirm", "looked", "yes")); !r.says("of Ada Wren is void") || !w.finding(id).Open() {
		t.Errorf("%d %s", r.code, r.text)
	}
	if r := tom.get(p); !r.says("What it was about has changed.") || len(w.waiting()) != 0 {
		t.Errorf("it isn't over: %s", r.text)
	}
	p = ada.propose(id)
	if r := tom.follow(tom.post(p+"/take-back", "reason", "")); !r.says("say why it is refused") || len(w.waiting()) != 1 {
		t.Errorf("refused without a reason: %d", r.code)
	}
	if r := ada.follow(ada.post(p + "/take-back")); !r.says("It was taken back.") || !w.finding(id).Open() || len(w.waiting()) != 0 {
		t.Errorf("%d %s", r.code, r.text)
	}
	// One that became void unseen is no bar to another.
	ada.propose(id)
	w.again("four")
	ada.propose(id)
	if n := len(w.waiting()); n != 1 {
		t.Errorf("%d wait", n)
	}
}

// Of two who confirm at once, one does it. What waits is in the ledger, not in a process.
func TestProposalIsConfirmedOnce(t *testing.T) {
	w, id := better(t)
	ada := w.person("Ada Wren", fixity.Reviewer)
	p := ada.propose(id)
	b := w.restarted() // another process, with pages of its own
	tom, eve := b.person("Tom Reed", fixity.Reviewer), w.person("Eve Marsh", fixity.Reviewer)
	var one, two answer
	var wg sync.WaitGroup
	wg.Go(func() { one = tom.follow(tom.post(p+"/confirm", "looked", "yes")) })
	wg.Go(func() { two = eve.follow(eve.post(p+"/confirm", "looked", "yes")) })
	wg.Wait()
	if n := len(slices.DeleteFunc(w.told(w.finding(id).File), func(s string) bool { return !strings.HasPrefix(s, "signed-off") })); n != 1 || w.finding(id).Open() {
		t.Errorf("%d versions were signed; %d and %d", n, one.code, two.code)
	}
}

// By command, whoever types another name is no second person: names are accounts.
func TestSecondPersonHasAnAccount(t *testing.T) {
	w, id := better(t)
	by := func(name string) deciding.Acts { a := *w.app.Acts.Archive; a.By = name; return deciding.Of(&a) }
	order := deciding.Decision{SignOff: &deciding.SignOffOrder{Findings: []int64{id}, Reason: "better", NewTransfer: true}}
	if _, err := by("Ada Wren").Decide(t.Context(), order); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("without an account: %v", err)
	}
	w.person("Ada Wren", fixity.Reviewer)
	w.person("Theo", fixity.Technician)
	d, err := by("Ada Wren").Decide(t.Context(), order)
	if err != nil || d.Proposal == 0 {
		t.Fatalf("%+v %v", d, err)
	}
	for _, name := range []string{"Ada Wren", "ada wren", "Theo", "Nobody"} {
		if _, err := by(name).Confirm(t.Context(), d.Proposal); !errors.Is(err, fixity.ErrRefused) {
			t.Errorf("%s confirms: %v", name, err)
		}
	}
	if _, err := by("Ada Wren").SignOff(t.Context(), *order.SignOff); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("past the proposal: %v", err)
	}
	if _, err := by("Ada Wren").Retire(t.Context(), deciding.RetireOrder{Paths: []string{"masters/QV-0108"}, Reason: "gone"}); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("retiring past a proposal: %v", err)
	}
	if !w.finding(id).Open() {
		t.Error("it was done")
	}
	two := people.Needs{Two: true}
	if err := two.Check(t.Context(), w.app.Ledger); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("one reviewer is enough: %v", err)
	}
	w.person("Tom Reed", fixity.Reviewer)
	if err := two.Check(t.Context(), w.app.Ledger); err != nil {
		t.Error(err)
	}
	if err := people.Remove(t.Context(), w.app.Ledger, w.now(), "Tom Reed", two, "the test"); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("the second reviewer is removed: %v", err)
	}
}

// signIn signs a person in by the keyboard.
func signIn(t *testing.T, b *browsertest.Tab, w *world, name string) {
	t.Helper()
	b.Open(w.server.URL + "/sign-in")
	tab(t, b, "name")
	b.Press(name)
	tab(t, b, "password")
	b.Press(passphrase + "\r")
	b.Wait("To decide")
}

// The walk in a browser: one proposes, signs out; the other confirms.
func TestTwoPeopleInABrowser(t *testing.T) {
	t.Parallel()
	b := browsertest.New(t)
	w, _ := better(t)
	for _, name := range []string{"Ada Wren", "Tom Reed"} {
		w.account(name, fixity.Reviewer)
	}
	in := func(name string) { signIn(t, b, w, name) }
	in("Ada Wren")
	b.Open(w.server.URL + "/retire?what=masters/QV-0108")
	b.Wait("1 file would be retired")
	b.Touch(`//input[@name="last"]`)
	tab(t, b, "retire-reason")
	b.Press("given back to the family")
	b.Click("Propose to retire them")
	b.Wait("Another reviewer has to confirm it")
	picture(b, "proposal-mine")
	b.Click("Sign out")
	in("Tom Reed")
	b.Click("Proposal 1")
	if os.Getenv("FIRMUS_AXE") != "" {
		fits(t, b, axe(t), "/proposals/1")
	}
	b.Wait("given back to the family")
	picture(b, "proposal")
	b.Touch(`//input[@name="looked"]`)
	b.Click("Confirm")
	b.Wait("A second person confirmed it")
	w.view(func(t *ledger.Tx) error {
		fs, err := t.Files.Under("masters", "QV-0108")
		if len(fs) != 0 {
			w.t.Errorf("it is under care yet: %+v", fs)
		}
		return err
	})
}

// picture leaves what is seen where FIRMUS_PICTURES says.
func picture(b *browsertest.Tab, name string) {
	if dir := os.Getenv("FIRMUS_PICTURES"); dir != "" {
		b.Picture(filepath.Join(dir, name+".png"))
	}
}

// Settling silences a difference, and retiring or replacing a store ends what is known of its
// copies: where a set asks for two people, both names stand in the record.
func TestTwoPeopleSettle(t *testing.T) {
	w, id := better(t)
	ada, tom := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Reviewer)
	at := fmt.Sprintf("/findings/%d", id)
	if r := ada.get(at); !r.says("Propose: Leave it") {
		t.Errorf("the page doesn't say so: %s", r.text)
	}
	settle := func() answer {
		return ada.follow(ada.post(at+"/settle", "saw", ada.saw(id), "reason", "nothing better can be had"))
	}
	if r := settle(); !r.says("Leave finding") || !r.says("Another reviewer has to confirm it") || !w.finding(id).Open() {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if r := settle(); !r.says("Ada Wren proposed something about it already") {
		t.Errorf("a second proposal: %s", r.text)
	}
	if r := ada.follow(ada.post(at+"/sign-off", "saw", ada.saw(id), "reason", "or so", "meant", "new-transfer")); !r.says("Ada Wren proposed something about it already") {
		t.Errorf("another decision about the same: %s", r.text)
	}
	p := w.waiting()
	if len(p) != 1 {
		t.Fatalf("%d wait", len(p))
	}
	for _, page := range []string{"/", "/findings", at} {
		if r := tom.get(page); !r.says("waits for a second person") || !r.says("You can confirm it") {
			t.Errorf("%s doesn't tell the second person: %s", page, r.text)
		}
		if r := ada.get(page); !r.says("You proposed it: another reviewer has to confirm it") {
			t.Errorf("%s doesn't tell the first person: %s", page, r.text)
		}
	}
	if r := tom.follow(tom.post(fmt.Sprintf("/proposals/%d/confirm", p[0].ID), "looked", "yes")); !r.says("A second person confirmed it") || w.finding(id).Settled != fixity.ByPerson {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if told := w.told(w.finding(id).File); !slices.Contains(told, "finding-settled Ada Wren Tom Reed") {
		t.Errorf("the record says %q", told)
	}
	a := *w.app.Acts.Archive
	a.By = "Ada Wren"
	w.again("three")
	open := w.open()
	if len(open) != 1 {
		t.Fatalf("%d findings", len(open))
	}
	if _, err := deciding.Of(&a).Settle(t.Context(), deciding.SettleOrder{Findings: []int64{open[0].ID}, Reason: "so"}); !errors.Is(err, fixity.ErrRefused) || !w.finding(open[0].ID).Open() {
		t.Errorf("past a proposal: %v", err)
	}
}

func (w *world) store(name string) (s ledger.Store) {
	w.t.Helper()
	w.view(func(t *ledger.Tx) (err error) { s, err = t.Stores.Get(name); return err })
	return s
}

func TestTwoPeopleEndAStore(t *testing.T) {
	w := newWorld(t, twoPeople)
	w.put("masters/QV-0107/QV-0107_A.wav", "107A", "studio", "vault")
	w.intake()
	w.audit()
	ada, tom := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Reviewer)
	if r := ada.get("/stores/vault"); !r.says("Propose: Retire it") || !r.says("Propose: Replace it") {
		t.Errorf("the page: %s", r.text)
	}
	order := func(act string) string {
		t.Helper()
		r := ada.follow(ada.post("/stores/vault/"+act, "typed", "vault", "reason", "the drive is old"))
		all := w.waiting()
		if len(all) != 1 || !r.says("Another reviewer has to confirm it") || !w.store("vault").Retired.IsZero() || w.store("vault").Adopted.IsZero() {
			t.Fatalf("%s: %d wait: %d %s", act, len(all), r.code, r.text)
		}
		return fmt.Sprintf("/proposals/%d", all[0].ID)
	}
	last := func(verb fixity.Verb) (by, second string) {
		t.Helper()
		w.view(func(t *ledger.Tx) error {
			e, err := t.Log.Last(verb, "vault")
			by = e.By
			second, _ = e.Told()["confirmed_by"].(string)
			return err
		})
		return by, second
	}
	p := order("replace")
	if r := tom.get("/stores/vault"); !r.says("waits for a second person") || !r.says("You can confirm it") {
		t.Errorf("the store's page: %s", r.text)
	}
	// Another decision about the same store waits for the first to end.
	if r := ada.follow(ada.post("/stores/vault/retire", "typed", "vault", "reason", "sold")); !r.says("proposed something about it already") {
		t.Errorf("a second one: %s", r.text)
	}
	// It is retired meanwhile, and taken up again by one person: what Ada saw is another now.
	if err := w.app.Ledger.Tx(t.Context(), w.now(), func(t *ledger.Tx) error { return t.Stores.End("vault", "", true, "the test", "sold") }); err != nil {
		t.Fatal(err)
	}
	if r := tom.follow(tom.post(p+"/confirm", "looked", "yes")); !r.says("is void") || len(w.waiting()) != 0 {
		t.Errorf("void: %s", r.text)
	}
	if r := tom.follow(tom.post("/stores/vault/adopt", "reason", "it was not sold")); r.code != 200 || !w.store("vault").Retired.IsZero() {
		t.Fatalf("adopt: %d %s", r.code, r.text)
	}
	p = order("replace")
	// What stands in its place is read at once, as after a replacement by one person.
	if r := tom.follow(tom.post(p+"/confirm", "looked", "yes")); !r.says("Another drive has taken the place of vault. No difference was found in vault.") || !r.says("1 file, 200") {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if r := tom.get(p); !r.says("A second person confirmed it") {
		t.Errorf("the proposal: %d %s", r.code, r.text)
	}
	if by, second := last(fixity.StoreReplaced); by != "Ada Wren" || second != "Tom Reed" {
		t.Errorf("the record says %q, %q", by, second)
	}
	var state fixity.State
	w.view(func(t *ledger.Tx) error {
		fs, err := t.Files.Under("masters", "")
		if err != nil {
			return err
		}
		cs, err := t.Copies.Of(fs[0].ID)
		for _, c := range cs {
			if c.Store == "vault" {
				state = c.State
			}
		}
		return err
	})
	if state != fixity.Intact {
		t.Errorf("the copy there is %s", state)
	}
	p = order("retire")
	if r := tom.follow(tom.post(p+"/confirm", "looked", "yes")); !r.says("A second person confirmed it") || w.store("vault").Retired.IsZero() {
		t.Fatalf("%d %s", r.code, r.text)
	}
	if by, second := last(fixity.StoreRetired); by != "Ada Wren" || second != "Tom Reed" {
		t.Errorf("the record says %q, %q", by, second)
	}
	a := *w.app.Acts.Archive
	a.By = "Ada Wren"
	if _, err := deciding.Of(&a).EndStore(t.Context(), deciding.EndStoreOrder{Store: "studio", Replace: true, Reason: "so"}); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("past a proposal: %v", err)
	}
}

// Confirming that a store ends may be broken off at each step: the proposal waits then, and
// confirming it once more goes on to the end.
func TestAStoreEndsStepByStep(t *testing.T) {
	w := newWorld(t, twoPeople)
	x := ledgertest.Large{Ledger: w.app.Ledger, Set: "masters", Stores: []string{"studio", "vault"}, Now: w.now()}
	if err := errors.Join(x.Adopt(t.Context(), "disk"), x.Fill(t.Context(), 0, 1200)); err != nil {
		t.Fatal(err)
	}
	w.person("Ada Wren", fixity.Reviewer)
	w.person("Tom Reed", fixity.Reviewer)
	by := func(name string, now func() time.Time) deciding.Acts {
		a := *w.app.Acts.Archive
		a.By, a.Now = name, now
		return deciding.Of(&a)
	}
	d, err := by("Ada Wren", w.now).Decide(t.Context(), deciding.Decision{EndStore: &deciding.EndStoreOrder{Store: "vault", Reason: "sold"}})
	if err != nil || d.Proposal == 0 {
		t.Fatalf("%+v %v", d, err)
	}
	broken := 0
	for k := 1; ; k++ {
		ctx, stop := context.WithCancel(t.Context())
		n := 0
		_, err := by("Tom Reed", func() time.Time { // the clock is asked before each transaction
			if n++; n == k {
				stop()
			}
			return w.now()
		}).Confirm(ctx, d.Proposal)
		stop()
		if err == nil {
			break
		}
		if broken++; len(w.waiting()) != 1 || !w.store("vault").Retired.IsZero() {
			t.Fatalf("broken off at step %d (%v): %d proposals wait, the store is retired at %s", k, err, len(w.waiting()), w.store("vault").Retired)
		}
		if k > 100 {
			t.Fatalf("it never comes to its end: %v", err)
		}
	}
	if broken < 4 || len(w.waiting()) != 0 || w.store("vault").Retired.IsZero() {
		t.Errorf("broken off %d times; %d proposals wait; the store is retired at %s", broken, len(w.waiting()), w.store("vault").Retired)
	}
}

// Who is to confirm that a store ends sees how many files would be left with one copy, and
// which; if more would be, the proposal is void.
func TestWhatTheEndOfAStoreLeavesIsShown(t *testing.T) {
	w := newWorld(t, twoPeople)
	w.put("masters/QV-0107/QV-0107_A.wav", "A", "studio", "vault")
	w.put("masters/QV-0107/QV-0107_B.wav", "B", "studio", "vault")
	w.put("masters/QV-0108/QV-0108_A.wav", "C", "studio", "vault")
	w.intake()
	w.audit()
	ada, tom := w.person("Ada Wren", fixity.Reviewer), w.person("Tom Reed", fixity.Reviewer)
	before := w.app.Acts.Archive
	propose := func(o deciding.EndStoreOrder) int64 {
		t.Helper()
		a := *before
		a.By = "Ada Wren"
		d, err := deciding.Of(&a).Decide(t.Context(), deciding.Decision{EndStore: &o})
		if err != nil || d.Proposal == 0 {
			t.Fatalf("%+v %v", d, err)
		}
		return d.Proposal
	}
	id := propose(deciding.EndStoreOrder{Store: "vault", Reason: "sold"})
	page := fmt.Sprintf("/proposals/%d", id)
	for _, b := range []*browser{ada, tom} {
		if r := b.get(page); !r.says("3 files would be left with one independent copy, 0 files with none") || !r.says("masters/QV-0108/QV-0108_A.wav") {
			t.Errorf("%s", r.text)
		}
	}
	// One more is taken in: it was not among what was shown.
	w.put("masters/QV-0109/QV-0109_A.wav", "D", "studio", "vault")
	w.intake()
	w.audit()
	r := tom.follow(tom.post(page+"/confirm", "looked", "yes"))
	if !w.store("vault").Retired.IsZero() || len(w.waiting()) != 0 || !r.says("more files would be left with one copy") {
		t.Errorf("%d waiting, retired %v: %s", len(w.waiting()), w.store("vault").Retired, r.text)
	}
	// As many as were shown, or fewer, is what was agreed to.
	id = propose(deciding.EndStoreOrder{Store: "vault", Reason: "sold"})
	page = fmt.Sprintf("/proposals/%d", id)
	if r := tom.follow(tom.post(page+"/confirm", "looked", "yes")); w.store("vault").Retired.IsZero() {
		t.Errorf("%d %s", r.code, r.text)
	}
}
