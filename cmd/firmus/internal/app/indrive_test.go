package app_test

import (
	"context"
	"errors"
	"fmt"
	"os"
	"path"
	"strings"
	"sync"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/cmd/firmus/internal/discs"
	"firmus/cmd/firmus/internal/discs/checking"
	"firmus/cmd/firmus/internal/discs/registering"
	"firmus/fixity/ledger"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
)

// discDrive is a drive whose disc the test exchanges.
type discDrive struct {
	*testing.T
	changes chan optical.Change

	mu     sync.Mutex
	image  string // in it
	opened int
	slow   chan struct{} // a reading waits for it, or for its end; nil: none does
}

func (d *discDrive) put(image string) {
	d.mu.Lock()
	d.image = image
	d.mu.Unlock()
	d.tell(optical.Change{Presence: optical.HasDisc})
}

func (d *discDrive) take() { d.tell(optical.Change{Presence: optical.TrayOpen}) }

func (d *discDrive) tell(c optical.Change) {
	d.Helper()
	select {
	case d.changes <- c:
	case <-time.After(time.Minute):
		d.Fatal("nobody watches the drive")
	}
}

func (d *discDrive) spins() int {
	d.mu.Lock()
	defer d.mu.Unlock()
	return d.opened
}

// slowDisc is a disc whose reading waits.
type slowDisc struct {
	discs.Opened
	wait chan struct{}
}

func (s slowDisc) Check(ctx context.Context, w burned.Want, o burned.Options) (burned.Result, error) {
	select {
	case <-s.wait:
	case <-ctx.Done():
		return burned.Result{}, context.Cause(ctx)
	}
	return s.Opened.Check(ctx, w, o)
}

// discWorld has a shelf with a drive, and files on the studio's drive to burn.
func discWorld(t *testing.T) (*world, *discDrive, string) {
	t.Helper()
	w, addr := daemonWorld(t, "[store.shelf]\nkind = \"optical\"\ndrive = \"/dev/quillmere\"\n")
	return w, &discDrive{T: t, changes: make(chan optical.Change)}, addr
}

// burn makes an image of files of the studio, as they are now.
func (w *world) burn(name string, damage bool, files ...string) string {
	w.t.Helper()
	v := burn.Volume{Label: strings.ToUpper(strings.TrimSuffix(name, ".iso"))}
	for _, f := range files {
		b, err := os.ReadFile(w.path("studio/" + f))
		if err != nil {
			w.t.Fatal(err)
		}
		if damage {
			b[len(b)/2] ^= 0xff
		}
		v.Files = append(v.Files, burn.File{Path: path.Base(f), Bytes: b, Time: time.Date(2026, 3, 2, 9, 0, 0, 0, time.UTC)})
	}
	image, err := burn.Data(v)
	if err != nil {
		w.t.Fatal(err)
	}
	w.put(name, image, time.Now())
	return w.path(name)
}

func (w *world) addDisc(o registering.Order) {
	w.t.Helper()
	w.now = time.Now()
	a := w.open()
	defer a.Close()
	if _, err := a.Discs.Add(w.t.Context(), o); err != nil {
		w.t.Fatal(err)
	}
}

func (d *discDrive) in(o *app.DaemonOptions) {
	o.WatchDrive = func(context.Context, string) <-chan optical.Change { return d.changes }
	o.Opened = func(a *app.App) {
		open := a.Discs.Open
		a.Discs.Open = func(ctx context.Context, at discs.At) (discs.Opened, error) {
			if at.Drive != "/dev/quillmere" {
				return nil, fmt.Errorf("opened %+v", at)
			}
			d.mu.Lock()
			image, slow := d.image, d.slow
			d.opened++
			d.mu.Unlock()
			x, err := open(ctx, discs.At{Image: image})
			if err == nil && slow != nil {
				x = slowDisc{x, slow}
			}
			return x, err
		}
	}
}

// A disc that is put in is recognised, read if it is due, and not twice in a row.
func TestDiscIsPutIn(t *testing.T) {
	t.Parallel()
	w, d, addr := discWorld(t)
	f := "masters/QV-0100/QV-0100_A.wav"
	longer := "masters/QV-0104/QV-0104_A.wav"
	w.now = time.Now().Add(-time.Hour)
	w.write("studio/"+longer, "longer", 400_000)
	w.copy("studio/"+longer, "vault/"+longer)
	w.now = time.Now()
	w.intake()
	w.audit(acts.AuditOrder{})
	good, bad := w.burn("qd1.iso", false, f), w.burn("qd2.iso", true, longer)
	twin := w.burn("qd3.iso", false, "masters/QV-0102/QV-0102_A.wav")
	strange := burnStrange(t, w)
	w.addDisc(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{f}})
	w.addDisc(registering.Order{Number: "QD-0002", Kind: ledger.DataDisc, Files: []string{longer}})
	for _, x := range []string{"A", "B"} {
		w.addDisc(registering.Order{Number: "QD-0003", Twin: x, Kind: ledger.DataDisc, Files: []string{"masters/QV-0102/QV-0102_A.wav"}})
	}
	r := w.daemon(addr, d.in)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	says := func(text string) func() bool {
		return func() bool {
			a := w.open()
			defer a.Close()
			ds := app.InDrives(a.Config)
			return len(ds) == 1 && strings.Contains(ds[0].Words(), text)
		}
	}
	d.put(good)
	r.within(time.Minute, "it is read", says("QD-0001: read: intact; may go back"))
	d.take()
	empty := func() bool { a := w.open(); defer a.Close(); return len(app.InDrives(a.Config)) == 0 }
	r.within(time.Minute, "the drive is empty", empty)
	spins := d.spins()

	// The same one again: it is recognised, and left in peace.
	d.put(good)
	r.within(time.Minute, "it need not be read", says("QD-0001: recognised; it was read lately and need not be read now"))
	if n := d.spins() - spins; n != 1 {
		t.Errorf("it was opened %d times, want once, to recognise it", n)
	}
	d.put(good) // told twice
	d.tell(optical.Change{Presence: optical.HasDisc})
	time.Sleep(300 * time.Millisecond)
	if n := d.spins() - spins; n != 1 {
		t.Errorf("a change that was told twice had it opened %d times", n)
	}
	d.take()

	d.put(bad)
	r.within(time.Minute, "it is found damaged", says("QD-0002: read: ALTERED: see \"firmus findings\""))
	r.within(time.Minute, "that is told", func() bool { return r.log.has("kind=altered") })
	d.take()
	d.put(w.burn("alike.iso", false, "masters/QV-0101/QV-0101_A.wav"))
	r.within(time.Minute, "one of the same size is left to a person", says("perhaps QD-0001: what it holds doesn't show it"))
	d.take()
	d.put(twin)
	r.within(time.Minute, "twins are left to a person", says("QD-0003 A or QD-0003 B: twins can't be told apart"))
	d.take()
	r.within(time.Minute, "the drive is empty again", empty) // else what was said before would do
	// One of them was read, so that its table of contents is known: the other isn't it.
	func() {
		a := w.open()
		defer a.Close()
		if _, err := a.Discs.Check(t.Context(), checking.Order{Number: "QD-0003 A", At: discs.At{Image: twin}}); err != nil {
			t.Fatal(err)
		}
	}()
	d.put(twin)
	r.within(time.Minute, "a twin is never taken for the one that was read", says("QD-0003 A or QD-0003 B: twins can't be told apart"))
	d.take()
	d.put(strange)
	r.within(time.Minute, "it isn't known", says("not registered"))
	d.take()
	r.stop()
	a := w.open()
	defer a.Close()
	w.consistent(a)
	ds, err := a.Discs.List(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	checks := ""
	for _, x := range ds {
		if n := len(x.Open); n > 0 != (x.Disc.Number == "QD-0002") {
			t.Errorf("%d findings are open on %s", n, x.Disc.Name())
		}
		checks += fmt.Sprintf("%s %d; ", x.Disc.Name(), x.Checks)
	}
	if checks != "QD-0001 1; QD-0002 1; QD-0003 A 1; QD-0003 B 0; " {
		t.Errorf("checked: %s", checks)
	}
}

func burnStrange(t *testing.T, w *world) string {
	t.Helper()
	image, err := burn.Data(burn.Volume{Label: "HOLIDAY", Files: []burn.File{{Path: "beach.txt", Bytes: []byte("sand"), Time: time.Now()}}})
	if err != nil {
		t.Fatal(err)
	}
	w.put("strange.iso", image, time.Now())
	return w.path("strange.iso")
}

// A drive that a person works with is left alone, and a disc that is being read is let
// go of at the button and at the daemon's end.
func TestDiscIsLeftAlone(t *testing.T) {
	t.Parallel()
	w, d, addr := discWorld(t)
	f := "masters/QV-0100/QV-0100_A.wav"
	image := w.burn("qd1.iso", false, f)
	w.addDisc(registering.Order{Number: "QD-0001", Kind: ledger.DataDisc, Files: []string{f}})
	r := w.daemon(addr, d.in)
	r.within(time.Minute, "it is ready", r.answers("/readyz", 200, "ok"))
	d.mu.Lock()
	d.slow = make(chan struct{})
	d.mu.Unlock()
	d.put(image)
	r.within(time.Minute, "it is being read", func() bool { return r.log.has("is being read, since it was never read: leave it in") })

	// A command at the same time is told who has the drive.
	w.now = time.Now()
	a := w.open()
	defer a.Close()
	a.Discs.Open = func(context.Context, discs.At) (discs.Opened, error) {
		return nil, errors.New("it was opened while it is being read")
	}
	if _, err := a.Discs.Check(t.Context(), checking.Order{At: discs.At{Drive: "/dev/quillmere"}}); err == nil || !strings.Contains(err.Error(), "the test") || strings.Contains(err.Error(), "it was opened") {
		t.Errorf("a command while the daemon reads: %v", err)
	}
	d.tell(optical.Change{Presence: optical.HasDisc, Eject: true})
	r.within(time.Minute, "the button was pressed", func() bool { return r.log.has("not read to its end") })
	d.take()

	// A person's check has the drive: the daemon doesn't touch it.
	began, goOn := make(chan struct{}), make(chan struct{})
	a.Discs.Open = func(context.Context, discs.At) (discs.Opened, error) {
		close(began)
		<-goOn
		return nil, errors.New("enough")
	}
	var wg sync.WaitGroup
	wg.Go(func() {
		_, _ = a.Discs.Check(t.Context(), checking.Order{Number: "QD-0001", At: discs.At{Drive: "/dev/quillmere"}})
	})
	<-began
	spins := d.spins()
	d.put(image)
	r.within(time.Minute, "it is left alone", func() bool { return r.log.has("left alone: somebody works with the drive") })
	if n := d.spins() - spins; n != 0 {
		t.Errorf("opened %d times while a person's check goes on", n)
	}
	close(goOn)
	wg.Wait()
	d.take()
	d.put(image)
	r.within(time.Minute, "it isn't read twice in a row", func() bool { return r.log.has("not read once more by itself") })
	if took := r.stop(); took > time.Minute {
		t.Errorf("stopped after %s", took)
	}
}
