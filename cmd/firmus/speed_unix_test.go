//go:build unix

package main

import (
	"bytes"
	"encoding/binary"
	"fmt"
	"math/rand/v2"
	"os"
	"os/exec"
	"path/filepath"
	"runtime"
	"slices"
	"strconv"
	"strings"
	"sync"
	"testing"
	"time"
)

// TestSpeed times whole commands beside programs that do the same work without a ledger, in
// pairs, one after the other. FIRMUS_SPEED names a folder for the files, best one in memory
// (/dev/shm/speed); they are made there once. FIRMUS_SPEED_DISK names one on a drive, for the
// rows that read past the cache. FIRMUS_SPEED_PAIRS is how many pairs (5). A row:
//
//	FIRMUS_SPEED=/dev/shm/speed go test ./cmd/firmus -run 'TestSpeed/audit-many$' -v -timeout 1h
//
// It prints medians, the ratio of the medians (above 1: Firmus is faster), and the processor's
// seconds, which the load of others changes less. It holds nothing against a bound.
func TestSpeed(t *testing.T) {
	dir := os.Getenv("FIRMUS_SPEED")
	if dir == "" {
		t.Skip("FIRMUS_SPEED names no folder for the files")
	}
	pairs := 5
	if s := os.Getenv("FIRMUS_SPEED_PAIRS"); s != "" {
		var err error
		if pairs, err = strconv.Atoi(s); err != nil {
			t.Fatal(err)
		}
	}
	firmus := filepath.Join(t.TempDir(), "firmus")
	if out, err := exec.Command("go", "build", "-o", firmus, ".").CombinedOutput(); err != nil {
		t.Fatalf("build: %v: %s", err, out)
	}
	s := &speed{firmus: firmus, pairs: pairs}
	const all, long, disc = 2 << 30, 1 << 20, 700 << 20
	many := func(dir string) string { return s.files(t, filepath.Join(dir, "many"), 200, 200, all/200, master) }
	b3sum := func(root string) []string {
		return []string{"sh", "-c", "find " + root + " -name '*.wav' -print0 | xargs -0 b3sum --num-threads 2"}
	}
	audit := []string{firmus, "audit", "--full", "--cache", "allow"}
	t.Run("audit-many", func(t *testing.T) {
		root := many(dir)
		s.takenIn(t, root)
		s.compare(t, root, nil, audit, b3sum(root))
	})
	t.Run("audit-one", func(t *testing.T) {
		root := s.files(t, filepath.Join(dir, "one"), 1, 1, all, master)
		s.takenIn(t, root)
		s.compare(t, root, nil, audit, b3sum(root))
	})
	t.Run("audit-cold", func(t *testing.T) {
		disk := os.Getenv("FIRMUS_SPEED_DISK")
		if disk == "" {
			t.Skip("FIRMUS_SPEED_DISK names no folder on a drive")
		}
		root := many(disk)
		s.takenIn(t, root)
		s.compare(t, root, nil, audit[:3], []string{"sh", "-c", "for f in " + root + "/*/*.wav; do dd if=$f of=/dev/null bs=1M iflag=direct status=none; done"})
	})
	t.Run("foreground", func(t *testing.T) {
		disk := os.Getenv("FIRMUS_SPEED_DISK")
		if disk == "" {
			t.Skip("FIRMUS_SPEED_DISK names no folder on a drive")
		}
		root := many(disk)
		s.takenIn(t, root)
		other := filepath.Join(s.files(t, filepath.Join(disk, "one"), 1, 1, all, master), "QV-0000", "side-0.wav")
		s.foreground(t, root, audit[:3], []string{"dd", "if=" + other, "of=/dev/null", "bs=1M", "iflag=direct", "status=none"})
	})
	intake := []string{firmus, "intake", "--cache", "allow"}
	t.Run("intake-many", func(t *testing.T) {
		root := many(dir)
		find := "find " + root + " -name '*.wav' -print0 | xargs -0 -P2 -n1 "
		s.compare(t, root, s.forget, intake, []string{"sh", "-c", find + "b3sum --num-threads 1 && " + find + "sha256sum"})
	})
	t.Run("intake-small", func(t *testing.T) {
		root := s.files(t, filepath.Join(dir, "small"), 200_000, 400, 300, master)
		s.compare(t, root, s.forget, intake, []string{"sh", "-c", "find " + root + " -name '*.wav' -print0 | xargs -0 -P2 -n500 sha256sum"})
	})
	t.Run("disc-check", func(t *testing.T) {
		root := s.files(t, filepath.Join(dir, "disc"), 1, 1, disc, cd)
		image, source := s.image(t, root)
		s.takenIn(t, root)
		s.run(t, root, []string{firmus, "disc", "add", "QD-0001", "--kind", "audio", "masters/QV-0000"})
		s.compare(t, root, nil, []string{firmus, "disc", "check", "QD-0001", "--image", image + ".cue"}, []string{"b3sum", "--num-threads", "1", image + ".bin", source})
	})
	t.Run("start", func(t *testing.T) {
		root := s.files(t, filepath.Join(dir, "few"), 10, 2, long, master)
		s.takenIn(t, root)
		s.compare(t, root, nil, []string{firmus, "version"}, []string{"true"})
		s.compare(t, root, nil, []string{firmus, "findings"}, []string{"true"})
	})
}

type speed struct {
	firmus string
	pairs  int
}

// format is how samples are kept, in two channels.
type format struct{ rate, bits int }

var (
	master = format{96_000, 24}
	cd     = format{44_100, 16}
)

// files makes n recordings of size bytes in folders, unless they are there.
func (s *speed) files(t *testing.T, root string, n, folders int, size int, as format) string {
	t.Helper()
	if _, err := os.Stat(root + ".made"); err == nil {
		return root
	}
	noise := make([]byte, min(size, 1<<20))
	random := rand.NewChaCha8([32]byte{1})
	for i := range n {
		at := filepath.Join(root, fmt.Sprintf("QV-%04d", i%folders), fmt.Sprintf("side-%d.wav", i/folders))
		if err := os.MkdirAll(filepath.Dir(at), 0o777); err != nil {
			t.Fatal(err)
		}
		f, err := os.Create(at)
		if err != nil {
			t.Fatal(err)
		}
		frame := as.bits / 4
		length := (size - 44) / frame * frame
		head := binary.LittleEndian.AppendUint32([]byte("RIFF"), uint32(length+36))
		head = append(head, "WAVEfmt "...)
		for _, v := range []any{uint32(16), uint16(1), uint16(2), uint32(as.rate), uint32(as.rate * frame), uint16(frame), uint16(as.bits)} {
			head, _ = binary.Append(head, binary.LittleEndian, v)
		}
		f.Write(binary.LittleEndian.AppendUint32(append(head, "data"...), uint32(length)))
		for ; length > 0 && err == nil; length -= min(length, len(noise)) {
			random.Read(noise)
			_, err = f.Write(noise[:min(length, len(noise))])
		}
		if e := f.Close(); err != nil || e != nil {
			t.Fatal(err, e)
		}
	}
	if err := os.WriteFile(root+".made", nil, 0o666); err != nil {
		t.Fatal(err)
	}
	return root
}

// image makes the image of an audio disc of a recording, as a drive reads it that shifts sound
// by some samples, and gives its path without an ending.
func (s *speed) image(t *testing.T, root string) (image, source string) {
	t.Helper()
	image, source = root+"-image", filepath.Join(root, "QV-0000", "side-0.wav")
	if _, err := os.Stat(image + ".cue"); err == nil {
		return image, source
	}
	const sector, header, shift = 2352, 44, 30 * 4
	b, err := os.ReadFile(source)
	if err != nil {
		t.Fatal(err)
	}
	b = b[header+shift:]
	b = append(b, make([]byte, shift+sector-(len(b)+shift)%sector)...) // burning programs fill the last sector up
	if err := os.WriteFile(image+".bin", b, 0o666); err != nil {
		t.Fatal(err)
	}
	if err := os.WriteFile(image+".cue", fmt.Appendf(nil, "FILE \"%s.bin\" BINARY\nTRACK 01 AUDIO\nINDEX 01 00:00:00\n", filepath.Base(image)), 0o666); err != nil {
		t.Fatal(err)
	}
	return image, source
}

// work is the folder of the configuration for a root.
func (s *speed) work(root string) string { return root + ".work" }

// forget makes all that Firmus knows of a root, and wrote there, go.
func (s *speed) forget(t *testing.T, root string) {
	t.Helper()
	if err := os.RemoveAll(s.work(root)); err != nil {
		t.Fatal(err)
	}
	if err := os.MkdirAll(s.work(root), 0o777); err != nil {
		t.Fatal(err)
	}
	if err := filepath.WalkDir(root, func(at string, d os.DirEntry, err error) error {
		switch {
		case err != nil:
			return err
		case d.IsDir() && strings.HasPrefix(d.Name(), ".firmus"):
			if err := os.RemoveAll(at); err != nil {
				return err
			}
			return filepath.SkipDir
		case !d.IsDir() && filepath.Ext(at) != ".wav":
			return os.Remove(at)
		}
		return nil
	}); err != nil {
		t.Fatal(err)
	}
	text := fmt.Sprintf("name = \"Speed\"\nstate = \"state\"\n[set.masters]\nrole = \"master\"\n[store.studio]\nkind = \"disk\"\narrivals = true\nsets = { masters = %q }\n", root)
	if err := os.WriteFile(filepath.Join(s.work(root), "firmus.toml"), []byte(text), 0o666); err != nil {
		t.Fatal(err)
	}
}

func (s *speed) takenIn(t *testing.T, root string) {
	t.Helper()
	s.forget(t, root)
	s.run(t, root, []string{s.firmus, "intake", "--cache", "allow"})
}

// run gives how long a command took, and the processor's time.
func (s *speed) run(t *testing.T, root string, command []string) (wall, cpu time.Duration) {
	t.Helper()
	c := exec.Command(command[0], command[1:]...)
	c.Dir = s.work(root)
	var out bytes.Buffer
	c.Stderr = &out
	began := time.Now()
	if err := c.Run(); err != nil {
		t.Fatalf("%q: %v: %s", command, err, out.String())
	}
	return time.Since(began), c.ProcessState.UserTime() + c.ProcessState.SystemTime()
}

func (s *speed) compare(t *testing.T, root string, before func(*testing.T, string), ours, theirs []string) {
	t.Helper()
	var wall, cpu [2][]time.Duration
	for i := range s.pairs + 1 {
		for k, command := range [][]string{ours, theirs} {
			if before != nil && k == 0 {
				before(t, root)
			}
			w, c := s.run(t, root, command)
			if i > 0 { // the first pair warms up
				wall[k], cpu[k] = append(wall[k], w), append(cpu[k], c)
			}
		}
	}
	w, v, c, d := median(wall[0]), median(wall[1]), median(cpu[0]), median(cpu[1])
	t.Logf("%s: %.3f s, baseline %.3f s: ratio %.2f; processor %.2f s, baseline %.2f s: ratio %.2f (medians of %d pairs, %d processors)",
		strings.Join(ours[1:], " "), w.Seconds(), v.Seconds(), v.Seconds()/w.Seconds(), c.Seconds(), d.Seconds(), d.Seconds()/c.Seconds(), s.pairs, runtime.NumCPU())
}

// foreground times what reads in order, alone and while audits go on beside it.
func (s *speed) foreground(t *testing.T, root string, audit, reads []string) {
	t.Helper()
	var alone, beside []time.Duration
	for range s.pairs {
		w, _ := s.run(t, root, reads)
		alone = append(alone, w)
		beside = append(beside, s.beside(t, root, audit, reads))
	}
	w, v := median(alone), median(beside)
	t.Logf("%s: alone %.3f s, beside %s %.3f s: ratio %.2f (medians of %d pairs, %d processors)",
		reads[0], w.Seconds(), strings.Join(audit[1:], " "), v.Seconds(), w.Seconds()/v.Seconds(), s.pairs, runtime.NumCPU())
}

// beside times a command that begins when an audit has begun to read. Should that end
// before, another one follows.
func (s *speed) beside(t *testing.T, root string, audit, reads []string) time.Duration {
	t.Helper()
	over, begun, ended := make(chan struct{}), make(chan struct{}), make(chan error, 1)
	go func() {
		begins := sync.OnceFunc(func() { close(begun) })
		defer begins()
		for {
			c := exec.Command(audit[0], audit[1:]...)
			c.Dir = s.work(root)
			if err := c.Start(); err != nil {
				ended <- err
				return
			}
			done := make(chan error, 1)
			go func() { done <- c.Wait() }()
			for tick := time.Tick(time.Millisecond); ; {
				select {
				case err := <-done:
					if err != nil {
						ended <- err
						return
					}
				case <-over:
					_ = c.Process.Kill()
					<-done
					ended <- nil
					return
				case <-tick:
					if readBytes(c.Process.Pid) > 64<<20 {
						begins()
					}
					continue
				}
				break
			}
		}
	}()
	<-begun
	w, _ := s.run(t, root, reads)
	close(over)
	if err := <-ended; err != nil {
		t.Fatal(err)
	}
	return w
}

// readBytes is how much a process has read from drives (proc_pid_io(5)).
func readBytes(pid int) (n int64) {
	b, _ := os.ReadFile(fmt.Sprintf("/proc/%d/io", pid))
	for line := range strings.Lines(string(b)) {
		_, _ = fmt.Sscanf(line, "read_bytes: %d", &n)
	}
	return n
}

func median(d []time.Duration) time.Duration {
	slices.Sort(d)
	return d[len(d)/2]
}
