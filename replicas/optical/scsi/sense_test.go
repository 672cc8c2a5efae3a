package scsi_test

import (
	"bytes"
	"errors"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/replicas/optical/scsi"
)

// senses are sense data as SPC-4, section 4.5, lays them out, written byte by byte.
var senses = []struct {
	name string
	data []byte
	want scsi.Sense
	none bool
	text string
}{
	{
		name: "fixed, with the sector",
		data: []byte{0xF0, 0, 3, 0, 0, 0x0F, 0xA0, 10, 0, 0, 0, 0, 0x11, 5, 0, 0, 0, 0},
		want: scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 5, HasInfo: true, Info: 4000},
		text: "medium error, L-EC uncorrectable error (3/11/05) at 4000",
	}, {
		name: "fixed, information not valid",
		data: []byte{0x70, 0, 2, 0, 0, 0x0F, 0xA0, 10, 0, 0, 0, 0, 0x3A, 2, 0, 0, 0, 0},
		want: scsi.Sense{Key: scsi.NotReady, ASC: 0x3A, ASCQ: 2},
		text: "not ready, medium not present, tray open (2/3a/02)",
	}, {
		name: "fixed, deferred",
		data: []byte{0x71, 0, 4, 0, 0, 0, 0, 10, 0, 0, 0, 0, 0x09, 3, 0, 0, 0, 0},
		want: scsi.Sense{Key: scsi.HardwareError, ASC: 9, ASCQ: 3, Deferred: true},
		text: "hardware error, spindle servo failure (4/09/03), of an earlier command",
	}, {
		name: "fixed, no additional code: byte 7 says that it ends before",
		data: []byte{0x70, 0, 6, 0, 0, 0, 0, 0, 0, 0, 0, 0, 0x28, 0, 0, 0, 0, 0},
		want: scsi.Sense{Key: scsi.UnitAttention},
		text: "unit attention (6/00/00)",
	}, {
		name: "fixed, cut off",
		data: []byte{0x70, 0, 5},
		want: scsi.Sense{Key: scsi.IllegalRequest},
		text: "illegal request (5/00/00)",
	}, {
		name: "descriptors, the information behind another",
		data: []byte{0x72, 3, 0x11, 6, 0, 0, 0, 18, 2, 4, 0, 0, 0, 0, 0, 10, 0x80, 0, 0, 0, 0, 1, 0, 0, 0, 2},
		want: scsi.Sense{Key: scsi.MediumError, ASC: 0x11, ASCQ: 6, HasInfo: true, Info: 1<<32 + 2},
		text: "medium error, CIRC unrecovered error (3/11/06) at 4294967298",
	}, {
		name: "descriptor longer than what is there",
		data: []byte{0x73, 5, 0x21, 0, 0, 0, 0, 12, 0, 10, 0x80, 0},
		want: scsi.Sense{Key: scsi.IllegalRequest, ASC: 0x21, Deferred: true},
		text: "illegal request, logical block address out of range (5/21/00), of an earlier command",
	},
	{name: "qualifier that has no name", data: []byte{0x72, 5, 0x64, 0x77}, want: scsi.Sense{Key: 5, ASC: 0x64, ASCQ: 0x77}, text: "illegal request, illegal mode for this track (5/64/77)"},
	{name: "vendor's own format", data: []byte{0x7F, 0, 3, 0, 0, 0, 0, 10, 0, 0, 0, 0, 0x11, 5}, none: true, text: "no sense data"},
	{name: "nothing", none: true, text: "no sense data"},
}

func TestParseSense(t *testing.T) {
	for _, tc := range senses {
		t.Run(tc.name, func(t *testing.T) {
			got, ok := scsi.ParseSense(tc.data)
			if ok == tc.none || got != tc.want {
				t.Fatalf("got %+v, %v; want %+v", got, ok, tc.want)
			}
			if got.String() != tc.text {
				t.Errorf("got %q, want %q", got.String(), tc.text)
			}
			for n := range tc.data {
				scsi.ParseSense(tc.data[:n])
			}
		})
	}
}

func TestErrorIs(t *testing.T) {
	all := []error{fixity.ErrAway, fixity.ErrBusy, fixity.ErrUnreadable}
	for _, tc := range []struct {
		name string
		err  scsi.Error
		want error
	}{
		{"no disc, ATAPI's key", scsi.Error{Status: 2, Sense: scsi.Sense{Key: 2, ASC: 0x3A}}, fixity.ErrAway},
		{"no disc, another key", scsi.Error{Status: 2, Sense: scsi.Sense{Key: 6, ASC: 0x3A}}, fixity.ErrAway},
		{"no drive", scsi.Error{Host: 1}, fixity.ErrAway},
		{"busy", scsi.Error{Status: scsi.Busy}, fixity.ErrBusy},
		{"reserved", scsi.Error{Status: scsi.ReservationConflict}, fixity.ErrBusy},
		{"being written", scsi.Error{Status: 2, Sense: scsi.Sense{Key: 2, ASC: 4, ASCQ: 8}}, fixity.ErrBusy},
		{"bad sector", scsi.Error{Status: 2, Sense: scsi.Sense{Key: 3, ASC: 0x11}}, fixity.ErrUnreadable},
		{"blank sector", scsi.Error{Status: 2, Sense: scsi.Sense{Key: 8}}, fixity.ErrUnreadable},
		{"changed", scsi.Error{Status: 2, Sense: scsi.Sense{Key: 6, ASC: 0x28}}, nil},
		{"adapter", scsi.Error{Host: 7}, nil},
	} {
		t.Run(tc.name, func(t *testing.T) {
			for _, e := range all {
				if got, want := errors.Is(&tc.err, e), e == tc.want; got != want {
					t.Errorf("%v is %v: %v", &tc.err, e, got)
				}
			}
		})
	}
}

func FuzzParseSense(f *testing.F) {
	n := 0
	for _, tc := range senses {
		f.Add(tc.data)
		n++
	}
	if n == 0 {
		f.Fatal("no seeds")
	}
	f.Fuzz(func(t *testing.T, b []byte) {
		kept := bytes.Clone(b)
		s, ok := scsi.ParseSense(b)
		if !bytes.Equal(kept, b) {
			t.Fatal("the data was changed")
		}
		if !ok {
			if s != (scsi.Sense{}) {
				t.Fatalf("%+v of no sense data", s)
			}
			return
		}
		if s.String() == "" || strings.ContainsAny(s.String(), "\n\x00") {
			t.Fatalf("%q", s.String())
		}
		if s.Info > 1<<32-1 {
			return // fixed format can't say it
		}
		again, ok := scsi.ParseSense(s.Fixed())
		if !ok || !cmp.Equal(s, again) {
			t.Fatal(cmp.Diff(s, again))
		}
	})
}
