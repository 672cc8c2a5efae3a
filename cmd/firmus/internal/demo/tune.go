package demo

import (
	"hash/fnv"
	"math"
	"sync"
)

// The sound is made with whole numbers, but for two tables that are rounded to
// them: processors differ in the last bit of a float64, and the bytes must be the
// same everywhere.

// source is a stream of numbers that look random, the same for the same seed. The
// mixing is splitmix64: Steele, Lea and Flood, "Fast splittable pseudorandom number
// generators", OOPSLA 2014, figure 17.
type source uint64

// seeded is the source of a name.
func seeded(name string) source {
	h := fnv.New64a()
	h.Write([]byte(name))
	return source(h.Sum64())
}

func (s *source) next() uint64 {
	*s += 0x9e3779b97f4a7c15
	z := uint64(*s)
	z = (z ^ z>>30) * 0xbf58476d1ce4e5b9
	z = (z ^ z>>27) * 0x94d049bb133111eb
	return z ^ z>>31
}

// below is a number from 0 to n-1.
func (s *source) below(n int) int { return int(s.next() % uint64(n)) }

// noise is n bytes that look random, the same for the same name.
func noise(name string, n int) []byte {
	s := seeded(name)
	b := make([]byte, n)
	for i := range b {
		b[i] = byte(s.next() >> 56)
	}
	return b
}

const full = 1<<15 - 1 // one, in the tables

var (
	sine  [4096]int32 // one turn
	decay [2048]int32 // by milliseconds since a note began
)

// fill makes the tables. Only who makes the world waits for that.
var fill = sync.OnceFunc(func() {
	for i := range sine {
		sine[i] = int32(math.Round(full * math.Sin(2*math.Pi*float64(i)/float64(len(sine)))))
	}
	for i := range decay {
		decay[i] = int32(math.Round(full * math.Exp(-float64(i)/350)))
	}
})

// note is one note of a tune. Times are in milliseconds.
type note struct {
	start, length int
	pitch         uint64 // thousandths of a hertz
}

// tune is a melody over a drone.
type tune struct {
	root  uint64 // thousandths of a hertz
	notes []note
}

// scale is a Dorian scale in just intonation, from the root to its octave.
var scale = [...][2]uint64{{1, 1}, {9, 8}, {6, 5}, {4, 3}, {3, 2}, {5, 3}, {16, 9}, {2, 1}}

// tuneOf is the tune of a name, at least so many milliseconds long. A longer one
// begins as a shorter one does.
func tuneOf(name string, length int) tune {
	s := seeded(name)
	t := tune{root: 165000 + uint64(s.below(110000))}
	beat := 170 + s.below(70)
	degree := s.below(5)
	for at := 0; at < length; {
		ratio := scale[degree]
		n := note{start: at, length: beat * (1 + s.below(3)), pitch: t.root * ratio[0] / ratio[1]}
		t.notes = append(t.notes, n)
		at += n.length
		if degree += s.below(5) - 2; degree < 0 || degree >= len(scale) {
			degree = 0 // home again
		}
	}
	return t
}

// partials are the strengths of a note's harmonics, sixty-fourths in all.
var partials = [...]int32{30, 15, 9, 6, 4}

// voice is a note's sound, age frames after it began, full at most.
func voice(n note, age, rate int) int32 {
	phase := uint32(uint64(age) * (n.pitch << 32 / uint64(1000*rate)))
	ms := age * 1000 / rate
	var sum int32
	for k, strength := range partials {
		// The higher ones die away sooner.
		sum += strength * (sine[phase*uint32(k+1)>>20] * decay[min(ms*(k+2)/2, len(decay)-1)] >> 15)
	}
	if sum >>= 6; ms < 12 {
		sum = sum * int32(ms) / 12
	}
	return sum
}

// drone is the root an octave down with its fifth, swelling slowly.
func (t tune) drone(frame, rate int) int32 {
	turn := func(pitch uint64) int32 {
		return sine[uint32(uint64(frame)*(pitch<<32/uint64(1000*rate)))>>20]
	}
	swell := full*3/4 + turn(310)/4
	return (turn(t.root/2)*2/3 + turn(t.root*3/4)/3) * swell >> 15
}

// Strengths, in units of a 24-bit sample for each unit of the tables: two voices,
// the drone and the hiss of a tape stay within 1<<23 together.
const (
	songLoud  = 90
	droneLoud = 30
	tapeHiss  = 14 // bits of noise
	cleanHiss = 10
)

// play gives frames of a tune as 24-bit samples, the channels interleaved, from
// so many milliseconds after its beginning. The noise is hiss bits strong and
// never stops, so no stretch is silent.
func (t tune) play(rate, channels, from, frames, hiss int, s source) []int32 {
	fill()
	out := make([]int32, 0, frames*channels)
	first := from * rate / 1000
	i := 0
	for f := first; f < first+frames; f++ {
		for i+1 < len(t.notes) && t.notes[i+1].start*rate/1000 <= f {
			i++
		}
		v := voice(t.notes[i], f-t.notes[i].start*rate/1000, rate)
		if i > 0 { // the note before it rings on
			v += voice(t.notes[i-1], f-t.notes[i-1].start*rate/1000, rate)
		}
		d := t.drone(f, rate)
		for c := range channels {
			// On a second channel the singer stands further off.
			x := v*songLoud/int32(c+1) + d*droneLoud
			out = append(out, x+int32(s.next()>>(64-hiss))-1<<(hiss-1))
		}
	}
	return out
}
