package demo

import (
	"bytes"
	"crypto/sha256"
	"fmt"
	"os"
	"path"
	"path/filepath"
	"slices"
	"strings"
	"time"

	"firmus/cmd/firmus/internal/demo/burn"
	"firmus/fixity"
	"firmus/replicas/optical/sector"
)

// discs is the store of the discs, as firmus.toml names it, and the folder with their
// images.
const discs = "discs"

// Disc is a disc of the demo's, of which there is an image.
type Disc struct {
	Number, Twin string
	Kind         string // "data" or "audio"
	Box, Blank   string
	Burned       string   // yyyy-mm-dd
	Image        string   // slash-separated, below the demo's folder
	Files        []string // set and path of the folders that were burned

	sectors string           // the file that has them
	sum     [32]byte         // of that, SHA-256
	begins  map[string]int64 // sector at which each file of a set begins, by its path there
}

// Name is what is written on the disc.
func (d Disc) Name() string { return d.Number + " " + d.Twin }

// Dances are the access files of a reel of two channels, each long enough for a track
// of an audio disc: 4 s.
var Dances = []string{"QV-0123/QV-0123_A_01.wav", "QV-0123/QV-0123_A_02.wav", "QV-0123/QV-0123_A_03.wav"}

const (
	dancers = "The Upper Sallow Fiddlers"
	evening = "An Evening at Sallow Fair"
)

var danceTitles = []string{"The Ferry Waltz", "Sallow Fair Polka", "Harrowmere Reel"}

// dance makes a track of them. No two have the same length.
func dance(i int) []byte {
	const rate, channels = 44100, 2
	ms := 4050 + 170*i
	name := Dances[i]
	all := tuneOf(name, ms+1000).play(rate, channels, 0, ms*rate/1000, cleanHiss, seeded(name))
	return wave(format(rate, channels, 16), info([2]string{"INAM", danceTitles[i]}, [2]string{"IART", dancers}), samples(all, 16))
}

// Burned is the item whose masters and access files the data disc holds.
const Burned = "QV-0105"

// The drives that "read" the audio discs each begin at another sample: disc sample i
// is the file's sample i + shift.
var shifts = map[string]int{"A": 30, "B": -667}

// Burn makes images of four discs: a data disc of the item Burned and an audio disc
// of Dances, two of each. The twin B of the data disc is an image of raw
// sectors: those keep each sector's error detection code, so that they can show what
// no drive could read. Call it once, after Week.
func Burn(dir string, now time.Time) ([]Disc, error) {
	day := past(now, 7*24*time.Hour)
	data, at, err := dataImage(dir, day)
	if err != nil {
		return nil, fmt.Errorf("burn the demo's discs: %w", err)
	}
	tracks, begins, err := dances(dir)
	if err != nil {
		return nil, fmt.Errorf("burn the demo's discs: %w", err)
	}
	item := []string{masters + "/" + Burned, access + "/" + Burned}
	all := []Disc{
		{Number: "QD-0001", Twin: "A", Kind: "data", Image: "QD-0001_A.iso"},
		{Number: "QD-0001", Twin: "B", Kind: "data", Image: "QD-0001_B.cue"},
		{Number: "QD-0002", Twin: "A", Kind: "audio", Image: "QD-0002_A.cue"},
		{Number: "QD-0002", Twin: "B", Kind: "audio", Image: "QD-0002_B.cue"},
	}
	for i := range all {
		d := &all[i]
		d.Box, d.Blank, d.Burned = "1", "gold, without a label", day.Format(time.DateOnly)
		d.sectors = strings.TrimSuffix(d.Image, ".cue")
		var b []byte
		var sheet string
		switch {
		case d.Kind == "audio":
			d.sectors += ".bin"
			d.begins = begins
			b, sheet = burn.Sound(d.sectors, evening, dancers, tracks, shifts[d.Twin])
			d.Files = []string{access + "/" + path.Dir(Dances[0])} // its files in the order of their names
		case d.sectors == d.Image:
			b, d.begins, d.Files = data, at, item
		default:
			d.sectors += ".bin"
			b, d.begins, d.Files = burn.Raw(data), at, item
			sheet = burn.RawSheet(d.sectors)
		}
		err := put(filepath.Join(dir, discs, d.sectors), b, day)
		if err == nil && sheet != "" {
			err = put(filepath.Join(dir, discs, d.Image), []byte(sheet), day)
		}
		if err != nil {
			return nil, fmt.Errorf("burn the demo's discs: %w", err)
		}
		d.Image, d.sectors, d.sum = discs+"/"+d.Image, discs+"/"+d.sectors, sha256.Sum256(b)
	}
	return all, nil
}

// dataImage is the image of the studio's folders of an item, laid together into one of
// its name, and the sector at which each of its files begins. Their lists of
// checksums, if they have some by now, become one.
func dataImage(dir string, day time.Time) ([]byte, map[string]int64, error) {
	v := burn.Volume{Label: "QD_0001", Made: day}
	var lists []byte
	for _, set := range []string{masters, access} {
		from := place(dir, studio, set, Burned)
		there, err := os.ReadDir(from)
		if err != nil {
			return nil, nil, err
		}
		for _, e := range there {
			fi, err := e.Info()
			if err != nil {
				return nil, nil, err
			}
			b, err := os.ReadFile(filepath.Join(from, e.Name()))
			switch {
			case err != nil:
				return nil, nil, err
			case e.Name() == list:
				lists = append(lists, b...)
			case filepath.Ext(strings.TrimSpace(e.Name())) == ".wav": // no litter
				v.Files = append(v.Files, burn.File{Path: Burned + "/" + e.Name(), Bytes: b, Time: fi.ModTime()})
			}
		}
	}
	sound := v.Files
	if len(lists) > 0 {
		v.Files = append(v.Files, burn.File{Path: Burned + "/" + list, Bytes: lists, Time: day})
	}
	image, err := burn.Data(v)
	if err != nil {
		return nil, nil, err
	}
	begins := map[string]int64{}
	for _, f := range sound {
		if at := bytes.Index(image, f.Bytes); at >= 0 {
			begins[f.Path] = int64(at / sector.Data)
		}
	}
	return image, begins, nil
}

// list is the name of a folder's list of checksums.
const list = "manifest-sha256.txt"

// dances are the tracks of the audio disc, from the files in the studio,
// and the sector at which each begins.
func dances(dir string) ([]burn.Track, map[string]int64, error) {
	var tracks []burn.Track
	begins, lba := map[string]int64{}, 0
	for i, p := range Dances {
		b, err := os.ReadFile(place(dir, studio, access, p))
		if err != nil {
			return nil, nil, err
		}
		// wave puts the samples last.
		at := bytes.Index(b, []byte("data"))
		if at < 0 {
			return nil, nil, fmt.Errorf("%s: no samples: %w", p, ErrNotOurs)
		}
		tracks = append(tracks, burn.Track{Title: danceTitles[i], Performer: dancers, PCM: b[at+8:]})
		begins[p] = int64(lba)
		lba += (len(b) - at - 8 + sector.Raw - 1) / sector.Raw
	}
	return tracks, begins, nil
}

// discFaults are the accidents of discs, one to each of two.
var discFaults = []struct {
	disc string
	Planted
	first, count int64 // sectors, from the beginning of the file or track
}{
	{"QD-0001 B", Planted{Store: discs, Set: masters, Path: Burned + "/" + Burned + "_B.wav", Subject: fixity.OfFile,
		Kind: fixity.Kind(fixity.Unreadable), Urgency: fixity.AtRisk,
		Story:  "five sectors of the disc can't be read any more; its twin has them",
		Advice: "Try the disc in another drive before anything else. Then burn it anew."}, 61, 5},
	{"QD-0002 B", Planted{Store: discs, Set: access, Path: Dances[1], Subject: fixity.OfFile,
		Kind: altered, Urgency: fixity.Tidy,
		Story:  "the drive gives three sectors of the second track without a murmur, and they are noise",
		Advice: "Burn the disc anew from the access files."}, 140, 3},
}

// PlantDiscs damages two of the discs that Burn gave: sectors of a master that no
// drive reads any more, and some of a track that are read and hold something else.
// Time and size of the images stay. It gives what was planted by the names of the
// discs. The error wraps ErrNotOurs, and nothing is touched, if an image isn't as
// Burn made it.
func PlantDiscs(dir string, burned []Disc) (map[string][]Planted, error) {
	damaged, done := map[string][]byte{}, map[string][]Planted{}
	for _, f := range discFaults {
		i := slices.IndexFunc(burned, func(d Disc) bool { return d.Name() == f.disc })
		if i < 0 {
			return nil, fmt.Errorf("plant faults: no disc %s: %w", f.disc, ErrNotOurs)
		}
		d := burned[i]
		b, err := os.ReadFile(filepath.Join(dir, filepath.FromSlash(d.sectors)))
		if err != nil {
			return nil, fmt.Errorf("plant faults: %w", err)
		}
		begin, ok := d.begins[f.Path]
		if !ok || sha256.Sum256(b) != d.sum {
			return nil, fmt.Errorf("plant faults: %s: %w", d.sectors, ErrNotOurs)
		}
		for lba := begin + f.first; lba < begin+f.first+f.count; lba++ {
			raw := b[lba*sector.Raw : (lba+1)*sector.Raw]
			if d.Kind == "data" {
				raw = raw[16:] // what says which sector it is stays
			}
			copy(raw, noise(fmt.Sprint(f.disc, lba), len(raw)))
		}
		damaged[d.sectors] = b
		done[f.disc] = append(done[f.disc], f.Planted)
	}
	for p, b := range damaged {
		name := filepath.Join(dir, filepath.FromSlash(p))
		fi, err := os.Lstat(name)
		if err == nil {
			err = put(name, b, fi.ModTime())
		}
		if err != nil {
			return nil, fmt.Errorf("plant faults: %w", err)
		}
	}
	return done, nil
}
