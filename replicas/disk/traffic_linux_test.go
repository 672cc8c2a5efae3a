package disk_test

import (
	"bytes"
	"os"
	"path/filepath"
	"testing"

	"firmus/replicas/disk"
)

// TestTraffic: what this process writes to a drive and waits for is counted, as the drive's
// and as ours.
func TestTraffic(t *testing.T) {
	dir := t.TempDir()
	d, err := disk.Open(dir, disk.Options{})
	if err != nil {
		t.Fatal(err)
	}
	dev, err := d.Device(t.Context())
	if err != nil {
		t.Fatal(err)
	}
	all, ours, ok := disk.Traffic(dev.ID)
	if !ok {
		t.Skipf("the system counts nothing of %s", dev.ID)
	}
	f, err := os.Create(filepath.Join(dir, "side-a.wav"))
	if err != nil {
		t.Fatal(err)
	}
	const size = 4 << 20
	if _, err = f.Write(bytes.Repeat([]byte("a"), size)); err == nil {
		err = f.Sync()
	}
	if e := f.Close(); err != nil || e != nil {
		t.Fatal(err, e)
	}
	all2, ours2, _ := disk.Traffic(dev.ID)
	if all2-all < size || ours2-ours < size {
		t.Errorf("%d bytes were written, and %d of all, %d of ours counted", size, all2-all, ours2-ours)
	}
}

// TestTrafficOfNoDrive: what is no block device is known to be none.
func TestTrafficOfNoDrive(t *testing.T) {
	was := disk.SetSysBlock(t.TempDir())
	defer disk.SetSysBlock(was)
	for _, id := range []string{"", "8:0", "0:45", "../x:1", "disk studio", "\x00studio"} {
		if _, _, ok := disk.Traffic(id); ok {
			t.Errorf("%q is counted", id)
		}
	}
}
