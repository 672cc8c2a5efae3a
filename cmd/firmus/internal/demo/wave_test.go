package demo_test

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"os"
	"os/exec"
	"path/filepath"
	"strings"
	"testing"

	"firmus/cmd/firmus/internal/demo"
)

// chunks takes a WAVE file apart, strictly: every chunk, pad byte and size must fit.
func chunks(b []byte) (ids []string, bodies map[string][]byte, err error) {
	le := binary.LittleEndian
	if len(b) < 12 || string(b[:4]) != "RIFF" || string(b[8:12]) != "WAVE" || int(le.Uint32(b[4:])) != len(b)-8 {
		return nil, nil, fmt.Errorf("no RIFF WAVE of %d bytes", len(b))
	}
	bodies = map[string][]byte{}
	for b = b[12:]; len(b) > 0; {
		if len(b) < 8 {
			return nil, nil, fmt.Errorf("%d bytes too many", len(b))
		}
		id, n := string(b[:4]), int(le.Uint32(b[4:]))
		if b = b[8:]; n+n%2 > len(b) {
			return nil, nil, fmt.Errorf("chunk %q of %d bytes in %d", id, n, len(b))
		}
		ids, bodies[id] = append(ids, id), b[:n]
		b = b[n+n%2:]
	}
	return ids, bodies, nil
}

func TestEveryFileIsWave(t *testing.T) {
	w := world(t)
	all := files(t, filepath.Join(w.Dir, "vault"))
	rates := map[string]int{}
	for p := range all {
		b, err := os.ReadFile(filepath.Join(w.Dir, "vault", filepath.FromSlash(p)))
		if err != nil {
			t.Fatal(err)
		}
		ids, body, err := chunks(b)
		if err != nil {
			t.Errorf("%q: %v", p, err)
			continue
		}
		f := body["fmt "]
		if len(f) != 16 {
			t.Errorf("%q: a fmt chunk of %d bytes", p, len(f))
			continue
		}
		le := binary.LittleEndian
		channels, rate, bits := int(le.Uint16(f[2:])), int(le.Uint32(f[4:])), int(le.Uint16(f[14:]))
		frame := channels * bits / 8
		if le.Uint16(f) != 1 || int(le.Uint32(f[8:])) != rate*frame || int(le.Uint16(f[12:])) != frame || len(body["data"])%frame != 0 {
			t.Errorf("%q: format % x", p, f)
		}
		if sec := float64(len(body["data"])) / float64(rate*frame); sec < 1 || sec > 6 {
			t.Errorf("%q: %.2f s", p, sec)
		}
		rates[fmt.Sprintf("%s %d/%d", strings.Split(p, "/")[0], rate, bits)]++
		want := "LIST"
		if strings.HasPrefix(p, "masters/") {
			want = "bext"
			checkBext(t, p, body["bext"])
		} else if l := body["LIST"]; !bytes.HasPrefix(l, []byte("INFOINAM")) || !bytes.Contains(l, []byte("Quillmere Valley Song Survey")) {
			t.Errorf("%q: LIST %q", p, l)
		}
		if strings.Join(ids, " ") != map[string]string{"bext": "bext fmt  data", "LIST": "fmt  LIST data"}[want] {
			t.Errorf("%q: chunks %q", p, ids)
		}
		checkSound(t, p, body["data"], bits/8)
	}
	if len(rates) != 3 || rates["masters 48000/24"] == 0 || rates["masters 96000/24"] == 0 || rates["access 44100/16"] == 0 {
		t.Errorf("formats %v", rates)
	}
}

// Offsets are those of EBU Tech 3285 version 2, section 2.3.
func checkBext(t *testing.T, p string, b []byte) {
	t.Helper()
	if len(b) <= 602 {
		t.Errorf("%q: a bext chunk of %d bytes, without a history", p, len(b))
		return
	}
	text := func(from, to int) string { return string(bytes.TrimRight(b[from:to], "\x00")) }
	item, _, _ := strings.Cut(filepath.Base(p), ".")
	if text(256, 288) != "Quillmere Valley Song Survey" || text(288, 320) != item || !strings.Contains(text(0, 256), item[:7]) {
		t.Errorf("%q: bext says %q, %q, %q", p, text(0, 256), text(256, 288), text(288, 320))
	}
	if d, c := text(320, 330), text(330, 338); len(d) != 10 || d[4] != '-' || len(c) != 8 || c[2] != '-' || b[346] != 1 {
		t.Errorf("%q: bext of %q %q, version %d", p, d, c, b[346])
	}
	for _, c := range text(0, 256) {
		if c < ' ' || c > '~' {
			t.Errorf("%q: the description holds %q, which isn't ASCII", p, c)
		}
	}
	if !bytes.HasSuffix(b, []byte("\r\n")) {
		t.Errorf("%q: the history ends in %q", p, b[len(b)-2:])
	}
}

// checkSound fails if a tenth of a second is silent or all the same, or if a sample
// is at the end of its range, as it is where a sum overflowed.
func checkSound(t *testing.T, p string, data []byte, n int) {
	t.Helper()
	const tenth = 4410
	var loudest, here int32
	for i := 0; (i+1)*n <= len(data); i++ {
		var s int32
		for k := range n {
			s |= int32(data[i*n+k]) << (32 - 8*(n-k))
		}
		s = max(s, -s) >> 8
		here = max(here, s)
		if i%tenth == tenth-1 {
			if here < 1<<14 {
				t.Errorf("%q: nothing louder than %d at sample %d", p, here, i)
			}
			loudest, here = max(loudest, here), 0
		}
	}
	if loudest < 1<<21 || loudest >= 1<<23-1 {
		t.Errorf("%q: the loudest sample is %d of %d", p, loudest, 1<<23)
	}
}

// need gives the path of an outside program, or skips.
func need(t *testing.T, program string) string {
	t.Helper()
	path, err := exec.LookPath(program)
	if err == nil {
		return path
	}
	if os.Getenv("FIRMUS_ALL_PARTS") == "1" {
		t.Fatalf("%s is not there", program)
	}
	t.Skipf("%s is not there: nobody else judges the files", program)
	return ""
}

func TestOthersReadThem(t *testing.T) {
	w := world(t)
	var paths []string
	for p := range files(t, filepath.Join(w.Dir, "vault")) {
		paths = append(paths, filepath.Join(w.Dir, "vault", filepath.FromSlash(p)))
	}
	t.Run("soxi", func(t *testing.T) {
		out, err := exec.Command(need(t, "soxi"), append([]string{"-V2", "-t"}, paths...)...).CombinedOutput()
		if err != nil || string(out) != strings.Repeat("wav\n", len(paths)) {
			t.Errorf("%d files: %v, %s", len(paths), err, out)
		}
	})
	// It says nothing of files that it opens with no warning, and of what they are if it is asked.
	t.Run("ffmpeg", func(t *testing.T) {
		ffmpeg := need(t, "ffmpeg")
		opens := func(level string) string {
			t.Helper()
			args := []string{"-hide_banner", "-nostdin", "-v", level}
			for _, p := range paths {
				args = append(args, "-guess_layout_max", "0", "-i", "file:"+p)
			}
			out, err := exec.Command(ffmpeg, append(args, "-frames:a", "1", "-f", "null", "-")...).CombinedOutput()
			if err != nil {
				t.Fatalf("%v, %s", err, out)
			}
			return string(out)
		}
		if out := opens("warning"); out != "" {
			t.Error(out)
		}
		out := opens("info")
		for i, p := range paths {
			if !strings.Contains(out, fmt.Sprintf("Input #%d, wav, from 'file:%s':", i, p)) || !strings.Contains(out, fmt.Sprintf("Stream #%d:0: Audio: pcm_s", i)) {
				t.Errorf("%s: %s", p, out)
			}
		}
	})
}

func ExampleMake() {
	dir, err := os.MkdirTemp("", "quillmere")
	if err != nil {
		fmt.Println(err)
		return
	}
	defer os.RemoveAll(dir)
	w, err := demo.Make(dir, now)
	if err != nil {
		fmt.Println(err)
		return
	}
	it := w.Items[0]
	fmt.Printf("%d recordings of %d reels\n%s: %s, %s, %s\n", w.Masters, len(w.Items), it.Number, it.Title, it.Performer, it.Recorded)
	// Output:
	// 24 recordings of 14 reels
	// QV-0101: The Miller's Daughter of Quill Bridge, Nan Harrowbell, 1954-05-02
}
