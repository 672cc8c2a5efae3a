package scsi_test

import (
	"encoding/binary"
	"errors"
	"testing"
	"testing/synctest"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/optical/scsi"
	"firmus/replicas/testing/mmctest"
)

// passThrough answers requests as Windows does, by a simulated drive.
func passThrough(t *testing.T, sim *mmctest.Drive) func(r, data []byte) error {
	le := binary.LittleEndian
	return func(r, data []byte) error {
		if le.Uint16(r) != 56 || len(data) > scsi.MaxTransfer || int(le.Uint32(r[12:])) != len(data) || r[7] < 18 {
			t.Errorf("request %x", r[:56])
		}
		room := len(data)
		if r[8] != 1 { // not from the drive
			room = 0
		}
		in, status, sense, err := sim.Handle(r[36:36+r[6]], data, room)
		if err != nil {
			return err
		}
		copy(data, in)
		r[2] = byte(status)
		le.PutUint32(r[12:], uint32(len(in)))
		if status != scsi.Good {
			at := le.Uint32(r[32:])
			r[7] = byte(copy(r[at:at+uint32(r[7])], sense.Fixed()))
		}
		return nil
	}
}

// All of a check goes through Windows' way to a drive, and comes to what it does
// without.
func TestPassThroughOverSimulatedDrive(t *testing.T) {
	synctest.Test(t, func(t *testing.T) {
		fill := func(lba int64, b []byte) {
			for i := range b {
				b[i] = byte(lba) ^ byte(i*7)
			}
		}
		sim := &mmctest.Drive{Flags: mmctest.Honest}
		sim.Insert(&mmctest.Disc{
			Tracks: []mmctest.Track{{Number: 1}, {Number: 2, LBA: 200}}, LeadOut: 500, Content: fill, Status: mmc.Complete, MCN: "0012345678905",
			Faults: map[int64]*mmctest.Fault{60: {}, 300: {UpTo: mmc.CDSpeed}},
			Doubts: map[int64]*mmctest.Doubt{400: {Bytes: []int{3}, Times: 1}},
		})
		closed := 0
		dev := scsi.PassThroughDevice("E:", passThrough(t, sim), func() error { closed++; return nil })
		d, err := optical.NewDrive(t.Context(), dev, dev)
		if err != nil {
			t.Fatal(err)
		}
		if c := d.Contents(); c.Kind != optical.Audio || c.MCN != "0012345678905" || len(c.Problems) > 0 {
			t.Errorf("%+v", c)
		}
		res, err := d.Check(t.Context(), optical.CheckOptions{Now: time.Now})
		if err != nil || !res.C2 || res.Speed != optical.ShelfCD*mmc.CDSpeed {
			t.Fatalf("%+v, %v", res, err)
		}
		bad, _ := res.Map.Ranges(optical.Unreadable)
		retried, _ := res.Map.Retried()
		if diff := cmp.Diff([][]optical.Range{{{LBA: 60, Count: 1}}, {{LBA: 300, Count: 1}, {LBA: 400, Count: 1}}}, [][]optical.Range{bad, retried}); diff != "" {
			t.Error(diff)
		}
		sim.Unplug()
		if _, err := d.Check(t.Context(), optical.CheckOptions{Now: time.Now}); !errors.Is(err, fixity.ErrAway) {
			t.Error(err)
		}
		if err := d.Close(); err != nil || closed != 1 {
			t.Error(closed, err)
		}
	})
}
