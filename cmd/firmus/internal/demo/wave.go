package demo

import (
	"encoding/binary"
	"fmt"
)

var le = binary.LittleEndian

// chunk is a chunk of a RIFF file: IBM and Microsoft, Multimedia Programming
// Interface and Data Specifications 1.0, "RIFF". The pad byte isn't counted.
func chunk(id string, body []byte) []byte {
	b := le.AppendUint32(append(make([]byte, 0, 9+len(body)), id...), uint32(len(body)))
	b = append(b, body...)
	if len(body)%2 != 0 {
		b = append(b, 0)
	}
	return b
}

// wave joins chunks to a WAVE file.
func wave(chunks ...[]byte) []byte {
	body := []byte("WAVE")
	for _, c := range chunks {
		body = append(body, c...)
	}
	return chunk("RIFF", body)
}

// format is the fmt chunk of PCM, tag 1 (WAVEFORMAT).
func format(rate, channels, bits int) []byte {
	frame := channels * bits / 8
	b := le.AppendUint16(nil, 1)
	b = le.AppendUint16(b, uint16(channels))
	b = le.AppendUint32(b, uint32(rate))
	b = le.AppendUint32(b, uint32(rate*frame))
	b = le.AppendUint16(b, uint16(frame))
	return chunk("fmt ", le.AppendUint16(b, uint16(bits)))
}

// samples is the data chunk of 24-bit samples, at 24 bits or their upper 16.
func samples(all []int32, bits int) []byte {
	b := make([]byte, 0, len(all)*bits/8)
	for _, s := range all {
		if bits == 24 {
			b = append(b, byte(s))
		}
		b = append(b, byte(s>>8), byte(s>>16))
	}
	return chunk("data", b)
}

// broadcast is what a bext chunk says.
type broadcast struct {
	description, reference string
	date, time             string // yyyy-mm-dd, hh-mm-ss
	history                []string
}

// originator is the name that the files say they come from.
const originator = "Quillmere Valley Song Survey"

// encode makes the bext chunk, version 1: EBU Tech 3285 version 2, section 2.3.
// Texts are ASCII, filled up with zeros; one too long is cut. The time reference is
// midnight and there is no UMID.
func (x broadcast) encode() []byte {
	b := make([]byte, 602)
	copy(b[0:256], x.description)
	copy(b[256:288], originator)
	copy(b[288:320], x.reference)
	copy(b[320:330], x.date)
	copy(b[330:338], x.time)
	le.PutUint16(b[346:], 1)
	for _, line := range x.history {
		b = append(b, line+"\r\n"...)
	}
	return chunk("bext", b)
}

// info is a LIST chunk of type INFO with pairs of an id and a text: the same
// specification as chunk, "INFO List Chunk". Texts end in a zero byte.
func info(pairs ...[2]string) []byte {
	b := []byte("INFO")
	for _, p := range pairs {
		b = append(b, chunk(p[0], append([]byte(p[1]), 0))...)
	}
	return chunk("LIST", b)
}

// encode makes the whole file of a recording.
func (x recording) encode() []byte {
	t := tuneOf(x.tune(), x.from+x.length+1000)
	r := x.reel
	if x.set == access {
		all := t.play(x.rate, r.channels, x.from, x.frames(), cleanHiss, seeded(x.set+"/"+x.path))
		return wave(format(x.rate, r.channels, 16), info(
			[2]string{"INAM", x.side.title}, [2]string{"IART", r.performer},
			[2]string{"ICRD", r.recorded}, [2]string{"IARL", originator + ", reel " + r.number},
			[2]string{"ICMT", fmt.Sprintf("Side %s, piece %d. Trimmed; hiss reduced.", x.side.letter, x.piece)},
		), samples(all, 16))
	}
	all := t.play(x.rate, r.channels, 0, x.frames(), tapeHiss, seeded(x.set+"/"+x.path))
	mode := [...]string{1: "mono", 2: "stereo"}[r.channels]
	return wave(broadcast{
		description: fmt.Sprintf("%s. %s. Recorded at %s, %s. Reel %s, side %s.", x.side.title, r.performer, r.place, r.recorded, r.number, x.side.letter),
		reference:   x.tune(),
		date:        x.transferred(),
		time:        fmt.Sprintf("%02d-%02d-00", 9+x.n%7, x.n*11%60),
		history: []string{
			fmt.Sprintf("A=ANALOGUE,M=%s,T=Survey tape machine 2; %s ips", mode, r.ips),
			fmt.Sprintf("A=PCM,F=%d,W=24,M=%s,T=Survey converter", x.rate, mode),
		},
	}.encode(), format(x.rate, r.channels, 24), samples(all, 24))
}

// tune names the side that is heard: "QV-0107_A".
func (x recording) tune() string { return x.reel.number + "_" + x.side.letter }
