package acts_test

import (
	"context"
	"crypto/sha256"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/acts/recovering"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/cmd/firmus/internal/report"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/disk"
	"firmus/replicas/testing/replicatest"
)

// cable is a loose one: it flips a bit of the first readings of a file in the studio.
type cable struct {
	path string
	at   int64

	mu    sync.Mutex
	wrong int // readings that are still to be wrong
	read  int // how often it was read
}

// loose has so many readings of a file be wrong, at a byte.
func (w *world) loose(path string, wrong int, at int64) *cable {
	c := &cable{path: path, at: at, wrong: wrong}
	root := w.app.Acts.Root
	w.app.Acts.Root = func(store, set string, cache fixity.Cache) (stores.Root, error) {
		r, err := root(store, set, cache)
		if d, ok := r.(*disk.Dir); ok && store == "studio" {
			return cabled{replicatest.Telling{Dir: d}, c}, err
		}
		return r, err
	}
	return c
}

type cabled struct {
	replicatest.Telling
	c *cable
}

func (d cabled) Open(ctx context.Context, e fixity.Entry, offset int64) (fixity.Reader, error) {
	r, err := d.Telling.Open(ctx, e, offset)
	return d.c.over(e.Path, r, offset), err
}

func (d cabled) Begin(ctx context.Context, p string) (fixity.Entry, fixity.Reader, error) {
	e, r, err := d.Telling.Begin(ctx, p)
	return e, d.c.over(p, r, 0), err
}

func (c *cable) over(p string, r fixity.Reader, offset int64) fixity.Reader {
	c.mu.Lock()
	defer c.mu.Unlock()
	if r == nil || !strings.HasSuffix(p, c.path) {
		return r
	}
	if c.read++; c.wrong <= 0 {
		return r
	}
	c.wrong--
	return &flipping{r, c.at - offset}
}

type flipping struct {
	fixity.Reader
	in int64
}

func (f *flipping) Read(p []byte) (int, error) {
	n, err := f.Reader.Read(p)
	if f.in >= 0 && f.in < int64(n) {
		p[f.in] ^= 0x10
	}
	f.in -= int64(n)
	return n, err
}

const soleSide = "QV-0107/QV-0107_A.wav"

// arrives has a master arrive over the cable, and be taken in from the studio alone.
func (w *world) arrives() {
	w.Helper()
	w.put("masters/"+soleSide, wave("one"), "studio")
	w.now = w.now.Add(24 * time.Hour)
	res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed})
	if w.must(err); res.Taken != 1 || len(res.Trouble) > 0 || len(w.findings()) > 0 {
		w.Fatalf("intake: %+v, %q", res, w.findings())
	}
}

func sha256Of(b []byte) fixity.Digest {
	s := sha256.Sum256(b)
	return fixity.DigestOf(fixity.SHA256, s[:])
}

func (w *world) expect(what string, got, want []string) {
	w.Helper()
	if !slices.Equal(got, want) {
		w.Errorf("%s: %q, want %q", what, got, want)
	}
}

// holdsNow says that a file's version is these bytes.
func (w *world) holdsNow(p string, n int64, b []byte) {
	w.Helper()
	f := w.file("masters", p)
	var v ledger.Version
	w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) (err error) { v, err = t.Files.Version(f.ID, f.Version); return err }))
	if want := sha256Of(b); f.Version != n || v.SHA256 != want {
		w.Errorf("%s is version %d with %s, want version %d with %s", p, f.Version, v.SHA256, n, want)
	}
}

func (w *world) tells(store string, is fixity.FactKind) bool {
	return slices.ContainsFunc(w.open(store), func(f ledger.Finding) bool { return f.Facts.Tells(is) })
}

// A new file's only reading was wrong. The second one comes six hours later, two readings
// outvote it, and nothing is called altered, disputed or unfinished.
func TestOneWrongReadingAtIntakeIsOutvoted(t *testing.T) {
	onEach(t, func(w *world) {
		c := w.loose(soleSide, 1, 20_000)
		w.arrives()
		disc, err := w.app.Discs.Add(w.Context(), registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"masters/" + soleSide}})
		w.must(err)
		read := c.read
		w.now = w.now.Add(5 * time.Hour)
		if w.expect("before it is due", w.audit(fixity.Bypassed, "studio"), nil); c.read != read {
			t.Errorf("it was read again after five hours")
		}
		w.now = w.now.Add(2 * time.Hour)
		w.expect("once it is due", w.audit(fixity.Bypassed, "studio"), []string{"studio unsteady " + soleSide})
		if !w.tells("studio", fixity.FirstOther) {
			t.Errorf("the finding doesn't tell what came first: %+v", w.open("studio"))
		}
		w.holdsNow(soleSide, 2, wave("one"))
		w.must(w.app.Ledger.View(w.Context(), func(x *ledger.Tx) error {
			if fs, err := x.Discs.FilesOn(disc.ID); err != nil || len(fs) != 1 || fs[0].Version != 2 {
				t.Errorf("the disc was burned from %+v, %v", fs, err)
			}
			return nil
		}))
		w.now = w.now.Add(24 * time.Hour)
		w.expect("a day later", w.audit(fixity.Bypassed, "studio"), nil)
		w.put("masters/"+soleSide, wave("one"), "vault")
		w.expect("with its copy", w.audit(fixity.Bypassed), nil)
		b, err := os.ReadFile(w.at("studio/masters/QV-0107/manifest-sha256.txt"))
		if err == nil && !strings.Contains(string(b), sha256Of(wave("one")).Sum) {
			t.Errorf("the manifest:\n%s", b)
		}
	})
}

// The vault's right copy comes to light before the studio is read a second time: that is read
// first, in the same order.
func TestAnotherStoresCopyWaitsForTheSecondReading(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(soleSide, 1, 20_000)
		w.arrives()
		w.put("masters/"+soleSide, wave("one"), "vault")
		w.now = w.now.Add(time.Hour)
		w.expect("the vault alone is audited", w.audit(fixity.Bypassed, "vault"), []string{"studio unsteady " + soleSide})
		w.holdsNow(soleSide, 2, wave("one"))
		w.expect("again", w.audit(fixity.Bypassed, "studio"), nil)
	})
}

// The studio's reading was right, and the vault's copy is another thing.
func TestTheSecondReadingOpensADispute(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(soleSide, 0, 0)
		w.arrives()
		w.put("masters/"+soleSide, wave("two"), "vault")
		w.now = w.now.Add(time.Hour)
		w.expect("at once", w.audit(fixity.Bypassed, "vault"), []string{"vault disputed " + soleSide})
		if !w.tells("vault", fixity.SameWrong) {
			t.Errorf("the finding doesn't tell what was read: %+v", w.open("vault"))
		}
		w.holdsNow(soleSide, 1, wave("one"))
	})
}

// The studio's reading was wrong, and the vault's copy is another thing all the same.
func TestWhatOutvotesAReadingDecidesNoDispute(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(soleSide, 1, 20_000)
		w.arrives()
		w.put("masters/"+soleSide, wave("two"), "vault")
		w.now = w.now.Add(time.Hour)
		w.expect("at once", w.audit(fixity.Bypassed, "vault"), []string{"studio unsteady " + soleSide, "vault disputed " + soleSide})
		w.holdsNow(soleSide, 2, wave("one"))
	})
}

// The studio's drive is away meanwhile: after a week the two are in dispute.
func TestADisputeWaitsAWeekForTheSecondReading(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(soleSide, 0, 0)
		w.arrives()
		w.put("masters/"+soleSide, wave("two"), "vault")
		w.must(os.Rename(w.at("studio"), w.at("drawer")))
		vault := func() (out []string) {
			for _, f := range w.audit(fixity.Bypassed, "vault") {
				if strings.HasPrefix(f, "vault") {
					out = append(out, f)
				}
			}
			return out
		}
		w.now = w.now.Add(6 * 24 * time.Hour)
		w.expect("after six days", vault(), nil)
		w.now = w.now.Add(25 * time.Hour)
		w.expect("after a week", vault(), []string{"vault disputed " + soleSide})
		if !w.tells("vault", fixity.SameWrong) {
			t.Errorf("the finding doesn't tell what was read: %+v", w.open("vault"))
		}
		w.must(os.Rename(w.at("drawer"), w.at("studio")))
	})
}

// What was written to after its only reading is altered, as ever.
func TestAFileThatWasWrittenToIsNotOutvoted(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(soleSide, 0, 0)
		w.arrives()
		w.put("masters/"+soleSide, wave("two"), "studio")
		w.now = w.now.Add(time.Hour)
		w.expect("afterwards", w.audit(fixity.Bypassed, "studio"), []string{"studio altered " + soleSide})
		w.holdsNow(soleSide, 1, wave("one"))
	})
}

// Once the second reading has agreed, other bytes are damage, also where nothing shows that
// the file was written to.
func TestAfterTheSecondReadingOtherBytesAreDamage(t *testing.T) {
	onEach(t, func(w *world) {
		c := w.loose(soleSide, 0, 20_000)
		w.arrives()
		w.now = w.now.Add(7 * time.Hour)
		w.expect("the second reading", w.audit(fixity.Bypassed, "studio"), nil)
		c.wrong = 1 << 20
		w.now = w.now.AddDate(0, 0, 1)
		w.must(os.Chmod(w.at("studio/masters/"+soleSide), 0o600)) // which has it read
		w.expect("later", w.audit(fixity.Bypassed, "studio"), []string{"studio altered " + soleSide})
	})
}

// A header that came over the cable is no broken transfer: it is read again, and isn't taken
// in by a reading that the next one contradicts.
func TestABrokenHeaderIsReadAgainAtIntake(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(soleSide, 1, 1)
		w.put("masters/"+soleSide, wave("one"), "studio")
		w.now = w.now.Add(24 * time.Hour)
		res, err := w.app.Receiving.Intake(w.Context(), receiving.IntakeOrder{Cache: fixity.Bypassed})
		if w.must(err); res.Taken != 0 || len(res.Trouble) != 1 || !strings.Contains(res.Trouble[0], "check cable") {
			t.Fatalf("intake: %+v", res)
		}
		w.expect("findings", w.findings(), nil)
		w.arrives()
		w.holdsNow(soleSide, 1, wave("one"))
	})
}

// It was renamed before its second reading: it isn't missing.
func TestARenamedFilesFirstReadingIsOutvoted(t *testing.T) {
	onEach(t, func(w *world) {
		w.loose(".wav", 1, 20_000)
		w.arrives()
		w.must(os.Rename(w.at("studio/masters/"+soleSide), w.at("studio/masters/QV-0107/QV-0107_A_mill.wav")))
		w.now = w.now.Add(time.Hour)
		w.expect("afterwards", w.audit(fixity.Bypassed, "studio"), []string{"studio misplaced " + soleSide})
		if !w.tells("studio", fixity.FirstOther) {
			t.Errorf("the finding doesn't tell what came first: %+v", w.open("studio"))
		}
		w.holdsNow(soleSide, 2, wave("one"))
	})
}

// rotsSoon has a drive lose a bit of a new file before its second reading, with no sign of it:
// the two later readings outvote the first one, which was right.
func (w *world) rotsSoon(meanwhile ...func()) *cable {
	w.Helper()
	stick := w.TempDir()
	c := w.loose(soleSide, 0, 20_000)
	w.arrives()
	for _, do := range meanwhile {
		do()
	}
	c.wrong = 1 << 20
	w.now = w.now.Add(7 * time.Hour)
	w.expect("the second reading", w.audit(fixity.Bypassed, "studio"), []string{"studio unsteady " + soleSide})
	w.now = w.now.Add(7 * time.Hour)
	w.expect("the next one", w.audit(fixity.Bypassed, "studio"), nil)
	w.must(os.WriteFile(filepath.Join(stick, "T001.wav"), wave("one"), 0o666))
	from, err := app.Folder(stick, fixity.Bypassed)
	w.must(err)
	res, err := w.app.Receiving.Recognise(w.Context(), from.Root(), from)
	if w.must(err); len(res.Files) != 1 || res.Files[0].State != receiving.HeldEarlier || !strings.Contains(res.Files[0].Detail, "Keep this file") {
		w.Errorf("what it came from: %+v", res)
	}
	var vs []ledger.Version
	w.must(w.app.Ledger.View(w.Context(), func(t *ledger.Tx) (err error) { vs, err = t.Files.Versions(w.file("masters", soleSide).ID); return err }))
	if why := report.WhyVersion(vs[1], vs); why != "two later readings (the first one gave version 1)" {
		w.Errorf("version 2 came about so: %s", why)
	}
	return c
}

// Another store's copy has the bytes of the reading that was outvoted. So that reading was
// right, and the copy isn't behind: nothing is put over it before a person has decided.
func TestWhatWasOutvotedAndIsReadElsewhereIsInDispute(t *testing.T) {
	onEach(t, func(w *world) {
		w.rotsSoon()
		w.put("masters/"+soleSide, wave("one"), "vault")
		w.expect("with the copy that was made of the first", w.audit(fixity.Bypassed), []string{"vault disputed " + soleSide})
		f := w.open("vault")[0]
		if what := report.What(f, report.Local); what != "it holds what the first reading gave, later readings gave other bytes, and nothing says which is right" {
			t.Errorf("the finding says: %s", what)
		}
		if res, err := w.app.Recovering.Recover(w.Context(), recovering.Order{Store: "vault", Reason: "all of it"}); err != nil || !slices.Equal(w.findings(), []string{"vault disputed " + soleSide}) {
			t.Errorf("recover: %+v, %v, %q", res, err, w.findings())
		}
		_, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{f.ID}, Reason: "the stick has it so"})
		w.must(err)
		w.holdsNow(soleSide, 3, wave("one"))
	})
}

// A disc was burned before the drive lost a bit, and is registered with the only version there
// was. It has what the first reading gave: nobody is told to burn it anew from the drive.
func TestADiscThatHasWhatWasOutvotedIsKept(t *testing.T) {
	onEach(t, func(w *world) {
		c := w.rotsSoon(func() {
			_, err := w.app.Discs.Add(w.Context(), registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{"masters/" + soleSide}})
			w.must(err)
		})
		image, err := burn.Data(burn.Volume{Label: "QD1", Files: []burn.File{{Path: filepath.Base(soleSide), Bytes: wave("one"), Time: w.now}}})
		w.must(err)
		at := filepath.Join(w.TempDir(), "qd1.iso")
		w.must(os.WriteFile(at, image, 0o666))
		_, err = w.app.Discs.Check(w.Context(), checking.Order{Number: "QD-0001", At: discs.At{Image: at}})
		w.must(err)
		fs := w.open("discs")
		if len(fs) != 1 || !fs[0].Facts.Tells(fixity.HoldsVersion) || fs[0].Urgency != fixity.AtRisk {
			t.Fatalf("the disc's findings: %+v", fs)
		}
		steps := ""
		w.must(w.app.Ledger.View(w.Context(), func(x *ledger.Tx) error {
			m, err := report.MatterOf(x, w.app.Acts.Rules, report.Where{}, fs[0])
			for _, s := range m.Steps() {
				steps += s.String() + "\n"
			}
			return err
		}))
		if !strings.HasPrefix(steps, "Keep disc QD-0001 as it is. It has what the first reading of the file gave, version 1.") || !strings.Contains(steps, "copy the one on the disc to its place") {
			t.Errorf("the steps say: %s", steps)
		}
		// The steps lead to a decision, and it to the recorded bytes.
		c.wrong, w.now = 0, w.now.Add(time.Hour)
		w.put("masters/"+soleSide, wave("one"), "studio")
		w.expect("with the file of the disc", w.audit(fixity.Bypassed, "studio"), []string{"studio disputed " + soleSide})
	})
}

// The same, and the person decides for what the later readings gave.
func TestWhatOutvotedCanBeKept(t *testing.T) {
	onEach(t, func(w *world) {
		c := w.rotsSoon()
		w.put("masters/"+soleSide, wave("one"), "vault")
		w.audit(fixity.Bypassed)
		_, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{w.open("vault")[0].ID}, KeepCurrent: true, Reason: "the stick has it otherwise"})
		w.must(err)
		w.now = w.now.Add(31 * 24 * time.Hour)
		if got := w.audit(fixity.Bypassed, "vault"); slices.Contains(got, "vault disputed "+soleSide) || c.wrong == 0 {
			t.Errorf("afterwards: %q", got)
		}
	})
}

// What the file came from is put in its place: the person is asked, and can say that it is right.
func TestWhatWasOutvotedCanBePutBack(t *testing.T) {
	onEach(t, func(w *world) {
		c := w.rotsSoon()
		w.must(os.Remove(w.at("studio/masters/" + soleSide)))
		c.wrong = 0
		w.put("masters/"+soleSide, wave("one"), "studio")
		w.expect("with what it came from", w.audit(fixity.Bypassed, "studio"), []string{"studio disputed " + soleSide})
		_, err := w.app.Deciding.SignOff(w.Context(), deciding.SignOffOrder{Findings: []int64{w.open("studio")[0].ID}, Reason: "the stick has it so"})
		w.must(err)
		w.holdsNow(soleSide, 3, wave("one"))
		w.now = w.now.Add(24 * time.Hour)
		w.expect("a day later", w.audit(fixity.Bypassed, "studio"), nil)
	})
}

// The same wrong bit comes over the cable again: the copy goes on being unsteady.
func TestTheSameWrongReadingAgainIsUnsteady(t *testing.T) {
	onEach(t, func(w *world) {
		c := w.loose(soleSide, 1, 20_000)
		w.arrives()
		w.now = w.now.Add(7 * time.Hour)
		w.expect("the second reading", w.audit(fixity.Bypassed, "studio"), []string{"studio unsteady " + soleSide})
		c.wrong = 1
		w.now = w.now.Add(7 * time.Hour)
		w.expect("the wrong one again", w.audit(fixity.Bypassed, "studio"), []string{"studio unsteady " + soleSide})
		w.holdsNow(soleSide, 2, wave("one"))
		w.now = w.now.Add(7 * time.Hour)
		w.expect("a good one", w.audit(fixity.Bypassed, "studio"), nil)
	})
}
