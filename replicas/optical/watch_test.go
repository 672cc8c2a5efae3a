package optical_test

import (
	"context"
	"strings"
	"sync/atomic"
	"testing"
	"testing/synctest"
	"time"

	"firmus/replicas/optical"
	"firmus/replicas/testing/mmctest"
)

func TestConcerns(t *testing.T) {
	message := func(s ...string) []byte { return []byte(strings.Join(s, "\x00") + "\x00") }
	base := []string{"change@/devices/pci0000:00/block/sr0", "ACTION=change", "SUBSYSTEM=block", "DEVNAME=sr0"}
	for _, tc := range []struct {
		name          string
		data          []byte
		about, button bool
	}{
		{"changed", message(append(base, "DISK_MEDIA_CHANGE=1", "DISKSEQ=7")...), true, false},
		{"button", message(append(base, "DISK_EJECT_REQUEST=1")...), true, true},
		{"another change", message(base...), false, false},
		{"another drive", message("change@/x/sr1", "SUBSYSTEM=block", "DEVNAME=sr1", "DISK_MEDIA_CHANGE=1"), false, false},
		{"another subsystem", message("add@/x/sr0", "SUBSYSTEM=bsg", "DEVNAME=sr0"), false, false},
		{"plugged in", message("add@/x/sr0", "SUBSYSTEM=block", "DEVNAME=sr0"), true, false},
		{"unplugged, with its folder", message("remove@/x/sr0", "SUBSYSTEM=block", "DEVNAME=/dev/sr0"), true, false},
		{"of a program", message("libudev", "SUBSYSTEM=block", "DEVNAME=sr0"), false, false},
		{"nothing", nil, false, false},
		{"only an action", []byte("add@/x/sr0"), false, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			if about, button := optical.Concerns(tc.data, "sr0"); about != tc.about || button != tc.button {
				t.Errorf("about %v, button %v", about, button)
			}
		})
	}
}

func FuzzConcerns(f *testing.F) {
	seeds := []string{"change@/x\x00SUBSYSTEM=block\x00DEVNAME=sr0\x00DISK_MEDIA_CHANGE=1\x00", "\x00", "@"}
	for _, s := range seeds {
		f.Add([]byte(s))
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		about, button := optical.Concerns(b, "sr0")
		if button && !about {
			t.Fatal("the button of no drive")
		}
	})
}

func TestPresence(t *testing.T) {
	for _, tc := range []struct {
		name string
		set  func(*mmctest.Drive)
		want optical.Presence
	}{
		{"disc", func(d *mmctest.Drive) { d.Insert(dataDisc(10)) }, optical.HasDisc},
		{"none", func(d *mmctest.Drive) {}, optical.NoDisc},
		{"open", func(d *mmctest.Drive) { d.Eject() }, optical.TrayOpen},
		{"starting", func(d *mmctest.Drive) { d.Swap(dataDisc(10)); d.SpinUp(5) }, optical.NotReady},
		{"unplugged", func(d *mmctest.Drive) { d.Unplug() }, optical.NoDrive},
		{"busy", func(d *mmctest.Drive) { d.Busy(9) }, optical.Unknown},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sim := drive(nil)
			tc.set(sim)
			if got := optical.PresenceIn(t.Context(), sim); got != tc.want {
				t.Errorf("got %v, want %v", got, tc.want)
			}
		})
	}
}

func TestWatch(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		ctx, cancel := context.WithCancel(t.Context())
		var p atomic.Uint32
		var seq atomic.Uint64
		p.Store(uint32(optical.NoDisc))
		wake := make(chan bool)
		changes := optical.WatchBy(ctx, func() (optical.Presence, uint64) { return optical.Presence(p.Load()), seq.Load() }, wake)
		want := func(what string, c optical.Change) {
			t.Helper()
			select {
			case got := <-changes:
				if got != c {
					t.Errorf("%s: got %+v, want %+v", what, got, c)
				}
			case <-time.After(time.Minute):
				t.Errorf("%s: nothing came", what)
			}
		}
		quiet := func(what string) {
			t.Helper()
			select {
			case got := <-changes:
				t.Errorf("%s: %+v came", what, got)
			case <-time.After(time.Minute):
			}
		}
		want("the beginning", optical.Change{Presence: optical.NoDisc})
		quiet("nothing happens")
		p.Store(uint32(optical.HasDisc))
		want("put in", optical.Change{Presence: optical.HasDisc})
		seq.Add(1)
		want("swapped between two questions", optical.Change{Presence: optical.HasDisc})
		p.Store(uint32(optical.Unknown))
		quiet("the drive doesn't answer")
		p.Store(uint32(optical.HasDisc))
		quiet("and does again")
		wake <- false
		want("the system tells", optical.Change{Presence: optical.HasDisc})
		wake <- true
		want("the button", optical.Change{Presence: optical.HasDisc, Eject: true})
		close(wake)
		quiet("no more events")
		p.Store(uint32(optical.NoDrive))
		want("unplugged, by asking alone", optical.Change{Presence: optical.NoDrive})
		cancel()
		synctest.Wait()
		if _, ok := <-changes; ok {
			t.Error("a change after the end")
		}
	})
}

// Watch itself runs and ends, also on a machine without drives.
func TestWatchEnds(t *testing.T) {
	ctx, cancel := context.WithCancel(t.Context())
	changes := optical.Watch(ctx, "/dev/no-such-drive")
	if c := <-changes; c.Presence != optical.NoDrive && c.Presence != optical.Unknown {
		t.Error(c)
	}
	cancel()
	for range changes {
		t.Error("a change after the end")
	}
}
