package burned_test

import (
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/replicas/optical"
	"firmus/replicas/optical/burned"
	"firmus/replicas/optical/cdda"
	"firmus/replicas/optical/mmc"
	"firmus/replicas/testing/mmctest"
)

// begin is where the data of a mixed disc begins: a second session's lies 11,400
// sectors behind the end of the first.
const begin = 3528 + 11_400

// mixed is a disc with the recordings and, in a second session, data in which no file
// system is.
func (c *compact) mixed(offset int) *mmctest.Drive {
	sim := c.drive(offset)
	disc := &mmctest.Disc{
		Tracks:  append(c.tracks[:len(c.tracks):len(c.tracks)], mmctest.Track{Number: 4, Session: 2, LBA: begin, Data: true}),
		LeadOut: begin + 300, LeadOuts: []int64{c.sectors(), begin + 300}, Status: mmc.Complete, Faults: c.faults, Doubts: c.doubts,
		Content: func(lba int64, b []byte) {
			clear(b)
			if lba < c.sectors() {
				copy(b, c.pcm[lba*cdda.SectorBytes:])
			}
		},
	}
	sim.Insert(disc)
	return sim
}

// A disc with data behind its sound, that was registered for its sound alone.
func TestAudioMixed(t *testing.T) {
	const a, b, c = "QV-0107/a.wav", "QV-0107/b.wav", "QV-0107/c.wav"
	for _, tc := range []struct {
		name string
		disc func(*compact)
		told []string
	}{
		{"intact", nil, []string{"intact", a + " intact track 1 at 0", b + " intact track 2 at 1501", c + " intact track 3 at 2627"}},
		{"altered", func(d *compact) { d.alter(1651, 1) }, []string{
			"altered", a + " intact track 1 at 0", b + " altered track 2 at 1501", c + " intact track 3 at 2627",
			"differing 1650+1 track 2 00:00:01.74",
		}},
		{"unreadable", func(d *compact) { d.fail(1700, 3) }, []string{
			"unreadable", a + " intact track 1 at 0", b + " unreadable track 2 at 1501", c + " intact track 3 at 2627",
			"unreadable 1700+3 track 2 00:00:02.49",
		}},
	} {
		t.Run(tc.name, func(t *testing.T) {
			disc := burn(0, recordings()...)
			if tc.disc != nil {
				tc.disc(disc)
			}
			d := insert(t, disc.mixed(667))
			if d.Contents().Kind != optical.Mixed {
				t.Fatal(d.Contents().Kind)
			}
			r := holdSound(t.Context(), t, d, burned.Want{Kind: optical.Audio, Files: sounds(recordings()...)}, soundOptions())
			if diff := cmp.Diff(tc.told, told(r)); diff != "" {
				t.Error(diff)
			}
		})
	}
	// Registered as one that holds both: its data is another disc's, and so the whole is
	// altered, but its sound is right.
	files := append(sounds(recordings()...), burned.File{Name: "QV-0107/notes.txt", Size: 5})
	r := holdSound(t.Context(), t, insert(t, burn(0, recordings()...).mixed(667)), burned.Want{Kind: optical.Mixed, Files: files}, soundOptions())
	want := []string{
		"altered", a + " intact track 1 at 0", b + " intact track 2 at 1501", c + " intact track 3 at 2627",
		"QV-0107/notes.txt  track 0 at -1 other",
	}
	if diff := cmp.Diff(want, told(r)); diff != "" {
		t.Error(diff)
	}
}
