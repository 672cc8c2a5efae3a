package burned_test

import (
	"bytes"
	"compress/gzip"
	"errors"
	"runtime"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// Between two sessions of sound nothing can be read, and nothing is damaged.
func TestTwoSessionsOfSound(t *testing.T) {
	a, b := piece(1, 700), piece(2, 800)
	const second = 700 + 11400
	disc := &mmctest.Disc{
		Tracks:  []mmctest.Track{{Number: 1}, {Number: 2, Session: 2, LBA: second}},
		LeadOut: second + 800, LeadOuts: []int64{700, second + 800}, Status: mmc.Complete,
		Content: func(lba int64, p []byte) {
			switch {
			case lba < 700:
				copy(p, a[lba*cdda.SectorBytes:])
			case lba >= second:
				copy(p, b[(lba-second)*cdda.SectorBytes:])
			default:
				clear(p)
			}
		},
	}
	sim := &mmctest.Drive{}
	sim.Insert(disc)
	d, err := optical.NewDrive(t.Context(), sim, nil)
	if err != nil {
		t.Fatal(err)
	}
	r := check(t, d, burned.Want{Kind: optical.Audio, Files: sources(a, b)})
	if r.Verdict != fixity.DiscIntact || r.UnreadableAll != 0 {
		t.Error(summary(r), r.UnreadableAll)
	}
	if n := sim.Sent(0xBE); n > 1000 {
		t.Errorf("%d commands", n)
	}
}

func TestHostileBaseline(t *testing.T) {
	if testing.Short() {
		t.Skip("takes a second, and more under the race detector")
	}
	t.Cleanup(runtime.GC) // other tests watch the heap
	for name, text := range map[string]string{
		"files":   `{"version":1,"files":[` + strings.Repeat("{},", 15<<20) + `{}]}`,
		"windows": `{"version":1,"sound":{"Windows":[` + strings.Repeat("{},", 15<<20) + `{}]}}`,
		"unread":  `{"version":1,"files":[{"unread":[` + strings.Repeat("0,", 30<<20) + `0]}]}`,
	} {
		t.Run(name, func(t *testing.T) {
			var z bytes.Buffer
			w := gzip.NewWriter(&z)
			_, _ = w.Write([]byte(text))
			_ = w.Close()
			var before, after runtime.MemStats
			runtime.ReadMemStats(&before)
			var b burned.Baseline
			err := b.UnmarshalBinary(z.Bytes())
			runtime.ReadMemStats(&after)
			if !errors.Is(err, burned.ErrBaseline) {
				t.Error(err)
			}
			if n := after.TotalAlloc - before.TotalAlloc; n > 400<<20 {
				t.Errorf("%d MB of %d bytes", n>>20, z.Len())
			}
		})
	}
}

// counted is sectors that were asked for since reset.
func counted(sim *mmctest.Drive) (read func() int) {
	n := 0
	sim.Before = func(_ int, c []byte) {
		switch c[0] {
		case 0x28:
			n += int(c[7])<<8 | int(c[8])
		case 0xA8:
			n += int(c[8])<<8 | int(c[9])
		case 0xBE:
			n += int(c[7])<<8 | int(c[8])
		}
	}
	return func() int { return n }
}

func TestIdentifySectorsRead(t *testing.T) {
	many := map[string][]byte{}
	var names []string
	for i := range 900 {
		n := strings.Repeat("long name ", 8) + string(rune('a'+i%26)) + string(rune('a'+i/26%26)) + string(rune('a'+i/676))
		many[n] = []byte(n)
		names = append(names, n)
	}
	for name, bad := range map[string][]int64{"good": nil, "bad directory": {21, 22, 23, 24, 25, 26, 30, 31, 35}} {
		t.Run(name, func(t *testing.T) {
			sim, disc, open := driveOf(t, dataImage(t, many, "x-both"), nil)
			for _, x := range bad {
				disc.Faults[x] = &mmctest.Fault{}
			}
			d := open()
			read := counted(sim)
			m, err := burned.Identify(t.Context(), d, []burned.Known{{ID: 1, Kind: optical.Data, TOC: d.Contents().ID(), Files: wanted(t, many, names...)}})
			// Its directories take more sectors than others do.
			if err != nil || len(m) != 1 || !m[0].Sure || read() > burned.IdentifySectors+burned.DirectorySectors || read() == 0 {
				t.Errorf("%+v, %v, %d sectors", m, err, read())
			}
		})
	}
	t.Run("sound", func(t *testing.T) {
		a, b := piece(1, 900), piece(2, 1100)
		all := append(bytes.Clone(a), b...)
		disc := &mmctest.Disc{Tracks: []mmctest.Track{{Number: 1}, {Number: 2, LBA: 900}}, LeadOut: 2000, Status: mmc.Complete,
			Content: func(lba int64, p []byte) { copy(p, all[lba*cdda.SectorBytes:]) }, Faults: map[int64]*mmctest.Fault{330: {}}}
		sim := &mmctest.Drive{Offset: 667}
		sim.Insert(disc)
		d, err := optical.NewDrive(t.Context(), sim, nil)
		if err != nil {
			t.Fatal(err)
		}
		read := counted(sim)
		var known []burned.Known
		for i := range 20 {
			known = append(known, burned.Known{ID: int64(i), Kind: optical.Audio, Files: sources(piece(uint64(100+i), 900), piece(uint64(200+i), 1100))})
		}
		known = append(known, burned.Known{ID: 99, Kind: optical.Audio, Files: sources(a, b)})
		m, err := burned.Identify(t.Context(), d, known)
		if err != nil || len(m) == 0 || m[0].ID != 99 || !m[0].Sure || len(m) > 1 && m[1].Sure || read() > burned.IdentifySectors {
			t.Errorf("%+v, %v, %d sectors", m, err, read())
		}
	})
}
