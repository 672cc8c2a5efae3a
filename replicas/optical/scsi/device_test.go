package scsi_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"os"
	"strings"
	"testing"
	"time"
	"unsafe"

	"firmus/fixity"
	"firmus/replicas/optical/scsi"
)

var inquiry = []byte{0x12, 0, 0, 0, 36, 0}

func TestAllowed(t *testing.T) {
	for _, tc := range []struct {
		name string
		cdb  []byte
		data int
		dir  scsi.Direction
		ok   bool
	}{
		{"INQUIRY", inquiry, 36, scsi.In, true},
		{"TEST UNIT READY", make([]byte, 6), 0, scsi.None, true},
		{"64 KiB", append([]byte{0x28}, make([]byte, 9)...), scsi.MaxTransfer, scsi.In, true},
		{"more", append([]byte{0x28}, make([]byte, 9)...), scsi.MaxTransfer + 1, scsi.In, false},
		{"SET STREAMING sends", append([]byte{0xB6}, make([]byte, 11)...), 28, scsi.Out, true},
		{"the tray is opened", []byte{0x1B, 0, 0, 0, 2, 0}, 0, scsi.None, true},
		{"a disc is started", []byte{0x1B, 0, 0, 0, 1, 0}, 0, scsi.None, false},
		{"a power condition", []byte{0x1B, 0, 0, 0, 0x32, 0}, 0, scsi.None, false},
		{"WRITE(10)", append([]byte{0x2A}, make([]byte, 9)...), 2048, scsi.Out, false},
		{"BLANK", append([]byte{0xA1}, make([]byte, 11)...), 0, scsi.None, false},
		{"FORMAT UNIT", []byte{4, 0x11, 0, 0, 0, 0}, 12, scsi.Out, false},
		{"CLOSE TRACK SESSION", append([]byte{0x5B}, make([]byte, 9)...), 0, scsi.None, false},
		{"READ(10) the wrong way", append([]byte{0x28}, make([]byte, 9)...), 2048, scsi.Out, false},
		{"wrong length", inquiry[:5], 36, scsi.In, false},
		{"no data to read", inquiry, 0, scsi.In, false},
		{"data without a way", inquiry, 36, scsi.None, false},
		{"empty", nil, 0, scsi.None, false},
	} {
		t.Run(tc.name, func(t *testing.T) {
			sent := false
			d := scsi.NewDevice("drive", func(cdb, data []byte) (scsi.Status, []byte, uint16, uint16, int, error) {
				sent = sent || cdb != nil
				return 0, nil, 0, 0, 0, nil
			})
			defer d.Close()
			_, _, err := d.Do(t.Context(), tc.cdb, make([]byte, tc.data), tc.dir, time.Second)
			if (err == nil) != tc.ok || sent != tc.ok || err != nil && !errors.Is(err, scsi.ErrCommand) {
				t.Errorf("sent: %v, error %v", sent, err)
			}
		})
	}
}

func TestDeviceJudges(t *testing.T) {
	fixed := func(k scsi.Key, asc, q byte) []byte { return scsi.Sense{Key: k, ASC: asc, ASCQ: q}.Fixed() }
	for _, tc := range []struct {
		name         string
		status       scsi.Status
		sense        []byte
		host, driver uint16
		ok           bool
		text         string
	}{
		{name: "good", ok: true},
		{name: "good, with old sense data", sense: fixed(3, 0x11, 0), ok: true},
		{name: "recovered", status: 2, sense: fixed(1, 0x17, 1), driver: 8, ok: true},
		{name: "medium error", status: 2, sense: fixed(3, 0x11, 0), driver: 8, text: "INQUIRY: medium error, unrecovered read error (3/11/00)"},
		{name: "host error with status good", host: 7, text: "INQUIRY: the way to the drive failed (adapter error)"},
		{name: "timed out", host: 3, text: "INQUIRY: the way to the drive failed (timed out)"},
		{name: "driver error with status good", driver: 6, text: "INQUIRY: status 00h and no sense data, driver status 6h"},
		{name: "busy", status: 8, text: "INQUIRY: drive is busy"},
		{name: "check condition without sense", status: 2, text: "INQUIRY: status 02h and no sense data, driver status 0h"},
	} {
		t.Run(tc.name, func(t *testing.T) {
			d := scsi.NewDevice("drive", func(cdb, data []byte) (scsi.Status, []byte, uint16, uint16, int, error) {
				return tc.status, tc.sense, tc.host, tc.driver, 99, nil
			})
			_, _, err := d.Do(t.Context(), inquiry, make([]byte, 36), scsi.In, time.Second)
			var e *scsi.Error
			switch {
			case tc.ok && err != nil:
				t.Error(err)
			case !tc.ok && (!errors.As(err, &e) || err.Error() != tc.text):
				t.Errorf("got %v, want %s", err, tc.text)
			}
		})
	}
}

// A command that hangs holds up nobody: who asked goes when told to, Close comes
// back, and the drive is let go when the command ends.
func TestDeviceHangs(t *testing.T) {
	hang, shut := make(chan struct{}), make(chan struct{})
	d := scsi.NewDevice("drive", func(cdb, data []byte) (scsi.Status, []byte, uint16, uint16, int, error) {
		if cdb == nil {
			close(shut)
			return 0, nil, 0, 0, 0, nil
		}
		<-hang
		for i := range data {
			data[i] = 1
		}
		return 0, nil, 0, 0, 0, nil
	})
	ctx, cancel := context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	data := make([]byte, 36)
	if _, _, err := d.Do(ctx, inquiry, data, scsi.In, time.Hour); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatal(err)
	}
	ctx, cancel = context.WithTimeout(t.Context(), 10*time.Millisecond)
	defer cancel()
	if _, _, err := d.Do(ctx, inquiry, data, scsi.In, time.Hour); !errors.Is(err, context.DeadlineExceeded) {
		t.Fatal(err)
	}
	if err := d.Close(); err != nil {
		t.Fatal(err)
	}
	select {
	case <-shut:
		t.Error("closed under a running command")
	default:
	}
	close(hang)
	<-shut
	if _, _, err := d.Do(t.Context(), inquiry, data, scsi.In, time.Hour); !errors.Is(err, scsi.ErrClosed) {
		t.Error(err)
	}
	if !bytes.Equal(data, make([]byte, 36)) {
		t.Error("the buffer was written after its owner had gone")
	}
	if err := d.Close(); err != nil {
		t.Error(err)
	}
}

// The structure of Windows, as ntddscsi.h declares it. 64-bit compilers align it as
// Go does.
type passThroughDirect struct {
	Length             uint16
	ScsiStatus         uint8
	PathID             uint8
	TargetID           uint8
	Lun                uint8
	CdbLength          uint8
	SenseInfoLength    uint8
	DataIn             uint8
	DataTransferLength uint32
	TimeOutValue       uint32
	DataBuffer         uint64
	SenseInfoOffset    uint32
	Cdb                [16]byte
}

func TestPassThroughLayout(t *testing.T) {
	var r passThroughDirect
	for name, at := range map[string]uintptr{
		"Length": unsafe.Offsetof(r.Length), "Status": unsafe.Offsetof(r.ScsiStatus), "CDBLength": unsafe.Offsetof(r.CdbLength),
		"SenseLength": unsafe.Offsetof(r.SenseInfoLength), "DataIn": unsafe.Offsetof(r.DataIn), "TransferLength": unsafe.Offsetof(r.DataTransferLength),
		"TimeOut": unsafe.Offsetof(r.TimeOutValue), "DataBuffer": unsafe.Offsetof(r.DataBuffer), "SenseOffset": unsafe.Offsetof(r.SenseInfoOffset),
		"CDB": unsafe.Offsetof(r.Cdb), "size": unsafe.Sizeof(r),
	} {
		if got := scsi.PassThroughLayout[name]; got != int(at) {
			t.Errorf("%s at %d, want %d", name, got, at)
		}
	}
	b := make([]byte, 100)
	scsi.PutAddress(b, 0x1122334455667788)
	if got := binary.LittleEndian.Uint64(b[unsafe.Offsetof(r.DataBuffer):]); got != 0x1122334455667788 {
		t.Errorf("address %x", got)
	}
}

func TestPassThroughDevice(t *testing.T) {
	t.Run("reads", func(t *testing.T) {
		d := scsi.PassThroughDevice("E:", func(r, data []byte) error {
			var h passThroughDirect
			h.TimeOutValue = binary.LittleEndian.Uint32(r[unsafe.Offsetof(h.TimeOutValue):])
			if !bytes.Equal(r[36:42], inquiry) || r[6] != 6 || r[8] != 1 || h.TimeOutValue != 2 || len(data) != 36 {
				t.Errorf("request %x", r)
			}
			copy(data, "drive")
			binary.LittleEndian.PutUint32(r[12:], 5)
			return nil
		}, func() error { return nil })
		b := make([]byte, 36)
		_, residual, err := d.Do(t.Context(), inquiry, b, scsi.In, 1500*time.Millisecond)
		if err != nil || residual != 31 || string(b[:5]) != "drive" {
			t.Errorf("%q, residual %d, %v", b, residual, err)
		}
	})
	t.Run("sense", func(t *testing.T) {
		want := scsi.Sense{Key: scsi.MediumError, ASC: 0x11, HasInfo: true, Info: 7}
		d := scsi.PassThroughDevice("E:", func(r, data []byte) error {
			r[2] = 2
			at := binary.LittleEndian.Uint32(r[32:])
			r[7] = byte(copy(r[at:], want.Fixed()))
			return nil
		}, func() error { return nil })
		sense, _, err := d.Do(t.Context(), inquiry, make([]byte, 36), scsi.In, time.Second)
		if !errors.Is(err, fixity.ErrUnreadable) || sense != want {
			t.Errorf("%v, %v", sense, err)
		}
	})
	t.Run("unplugged", func(t *testing.T) {
		d := scsi.PassThroughDevice("E:", func(r, data []byte) error { return fixity.ErrAway }, func() error { return nil })
		if _, _, err := d.Do(t.Context(), inquiry, make([]byte, 36), scsi.In, time.Second); !errors.Is(err, fixity.ErrAway) || !strings.Contains(err.Error(), `"E:"`) {
			t.Error(err)
		}
	})
}

func TestDevicePath(t *testing.T) {
	for in, want := range map[string]string{"E:": `\\.\E:`, `e:\`: `\\.\E:`, "f": `\\.\F:`, `\\.\CdRom0`: `\\.\CdRom0`, "": "", "1:": "1:"} {
		if got := scsi.DevicePath(in); got != want {
			t.Errorf("%q: got %q, want %q", in, got, want)
		}
	}
}

func TestOpen(t *testing.T) {
	t.Run("no such drive", func(t *testing.T) {
		if _, err := scsi.Open("/dev/no-such-drive"); !errors.Is(err, fixity.ErrAway) && !errors.Is(err, errors.ErrUnsupported) {
			t.Error(err)
		}
	})
	t.Run("not a drive", func(t *testing.T) {
		if d, err := scsi.Open(os.DevNull); err == nil {
			d.Close()
			t.Error("opened")
		}
	})
	t.Run("denied names the group", func(t *testing.T) {
		err := &scsi.DeniedError{Path: "/dev/sr0", Group: "cdrom", Err: os.ErrPermission}
		if !errors.Is(err, fixity.ErrDenied) || !strings.Contains(err.Error(), `group "cdrom"`) {
			t.Error(err)
		}
	})
}
