package digest_test

import (
	"bytes"
	"context"
	"errors"
	"io"
	"math/rand/v2"
	"runtime"
	"slices"
	"strings"
	"testing"
	"testing/iotest"
	"unsafe"

	"firmus/fixity"
	"firmus/fixity/digest"

	"github.com/google/go-cmp/cmp"
)

var every = []fixity.Algorithm{fixity.MD5, fixity.SHA1, fixity.SHA224, fixity.SHA256, fixity.SHA384, fixity.SHA512, fixity.BLAKE3}

func noise(n int) []byte {
	b := make([]byte, n)
	rand.NewChaCha8([32]byte{7}).Read(b)
	return b
}

// sums is what a Sum gives of b at once.
func sums(t *testing.T, b []byte, algs ...fixity.Algorithm) digest.Sums {
	t.Helper()
	s, err := digest.NewSum(algs...)
	if err != nil {
		t.Fatal(err)
	}
	if n, err := s.Write(b); n != len(b) || err != nil {
		t.Fatal(n, err)
	}
	return s.Sums()
}

// TestSameSumsHoweverItIsRead: neither the length of reads nor how the end is
// told, nor the split into buffers, shows in the sums.
func TestSameSumsHoweverItIsRead(t *testing.T) {
	for _, size := range []int{0, 1, 1000, 65535, 65536, 65537, 131072, 1<<20 + 65536, 1<<20 + 65537, 7<<20 + 3} {
		data := noise(size)
		want := sums(t, data, every...)
		if want.Size != int64(size) || len(want.Blocks) != (size+digest.BlockSize-1)/digest.BlockSize {
			t.Errorf("%d bytes: size %d, %d blocks", size, want.Size, len(want.Blocks))
		}
		readers := map[string]func(io.Reader) io.Reader{
			"whole":          func(r io.Reader) io.Reader { return r },
			"halves":         iotest.HalfReader,
			"data with end":  iotest.DataErrReader,
			"in odd pieces":  func(r io.Reader) io.Reader { return &pieces{r, 4097} },
			"by single byte": iotest.OneByteReader,
		}
		if size > 200_000 {
			delete(readers, "by single byte")
		}
		for name, wrap := range readers {
			got, err := digest.Read(context.Background(), wrap(bytes.NewReader(data)), every...)
			if err != nil {
				t.Errorf("%s, %d bytes: %v", name, size, err)
			}
			if d := cmp.Diff(want, got); d != "" {
				t.Errorf("%s, %d bytes:\n%s", name, size, d)
			}
		}
		s, err := digest.NewSum(every...)
		if err != nil {
			t.Fatal(err)
		}
		for rest := data; len(rest) > 0; {
			n := min(len(rest), 1+len(rest)%70_001)
			s.Write(rest[:n])
			rest = rest[n:]
			s.Sums() // may be asked at any time
		}
		if d := cmp.Diff(want, s.Sums()); d != "" {
			t.Errorf("written in pieces, %d bytes:\n%s", size, d)
		}
	}
}

type pieces struct {
	r io.Reader
	n int
}

func (p *pieces) Read(b []byte) (int, error) { return p.r.Read(b[:min(len(b), p.n)]) }

// TestSameSumsHoweverItIsHashed: on one processor or several, as a tree or in order,
// beside others or alone, the sums are the same. An independent implementation of the
// whole stream gives what a tree's nodes must come to.
func TestSameSumsHoweverItIsHashed(t *testing.T) {
	defer runtime.GOMAXPROCS(runtime.GOMAXPROCS(4))
	var sizes []int
	for _, n := range []int{0, 1024, 16 << 10, 64 << 10, 80 << 10, 128 << 10, 1 << 20, 1<<20 + 64<<10, 2<<20 + 64<<10, 4<<20 + 64<<10, 9 << 20} {
		sizes = append(sizes, n, n+1, n+1023, n+1025)
		if n > 0 {
			sizes = append(sizes, n-1)
		}
	}
	for _, algs := range [][]fixity.Algorithm{{fixity.BLAKE3}, {fixity.SHA256, fixity.BLAKE3}, nil} {
		for _, size := range sizes {
			data := noise(size)
			want := sums(t, data, algs...)
			for _, ahead := range []bool{false, true} {
				for _, bare := range []bool{false, true} {
					ended := 0
					got, err := digest.Options{Algorithms: algs, Ahead: ahead, NoBlocks: bare, Ended: func() { ended++ }}.Read(context.Background(), bytes.NewReader(data))
					if err != nil || ended != 1 {
						t.Fatal(err, ended)
					}
					want := want
					if bare {
						want.Blocks = nil
					}
					if d := cmp.Diff(want, got); d != "" {
						t.Errorf("%v of %d bytes, ahead %t, without blocks %t:\n%s", algs, size, ahead, bare, d)
					}
				}
			}
		}
	}
}

// TestEveryByteCounts turns over one bit of each byte of a small file: all
// digests change, and exactly the block that the byte lies in.
func TestEveryByteCounts(t *testing.T) {
	data := noise(digest.BlockSize + 300)
	want := sums(t, data, every...)
	tested := 0
	// In the first block near its ends only: each byte of it costs as much as all of the rest.
	for k := range data {
		if k > 200 && k < digest.BlockSize-200 {
			continue
		}
		tested++
		data[k] ^= 1 << (k % 8)
		got, err := digest.Read(context.Background(), bytes.NewReader(data), every...)
		data[k] ^= 1 << (k % 8)
		if err != nil {
			t.Fatal(err)
		}
		for i, d := range got.Digests {
			if d == want.Digests[i] {
				t.Errorf("byte %d: %s is the same", k, d.Algorithm)
			}
		}
		for b := range got.Blocks {
			if changed := got.Blocks[b] != want.Blocks[b]; changed != (b == k/digest.BlockSize) {
				t.Errorf("byte %d: block %d changed: %v", k, b, changed)
			}
		}
	}
	if tested < 600 {
		t.Errorf("%d bytes tested", tested)
	}
}

func TestErrorHalfway(t *testing.T) {
	boom := errors.New("boom")
	for _, before := range []int{0, 1, 65536, 65537, 1 << 20, 3<<20 + 17} {
		data := noise(before)
		got, err := digest.Read(context.Background(), io.MultiReader(bytes.NewReader(data), iotest.ErrReader(boom)), every...)
		if err != boom {
			t.Errorf("after %d bytes: %v, want boom itself", before, err)
		}
		if d := cmp.Diff(sums(t, data, every...), got); d != "" {
			t.Errorf("after %d bytes:\n%s", before, d)
		}
	}
}

func TestUnexpectedEndIsAnError(t *testing.T) {
	for _, end := range []error{io.ErrUnexpectedEOF, errors.Join(io.EOF, fixity.ErrChanged)} {
		_, err := digest.Read(context.Background(), iotest.ErrReader(end))
		if err != end {
			t.Errorf("%v, want %v", err, end)
		}
	}
}

// lazy never gives a byte and never an error.
type lazy struct{}

func (lazy) Read([]byte) (int, error) { return 0, nil }

func TestNoProgress(t *testing.T) {
	if _, err := digest.Read(context.Background(), lazy{}, fixity.MD5); !errors.Is(err, io.ErrNoProgress) {
		t.Error(err)
	}
}

func TestUnknownAlgorithm(t *testing.T) {
	_, err := digest.Read(context.Background(), iotest.ErrReader(errors.New("touched")), fixity.SHA256, "sha3")
	if err == nil || strings.Contains(err.Error(), "touched") {
		t.Errorf("%v, want an error before the stream is touched", err)
	}
	if _, err := digest.NewSum("sha3"); err == nil {
		t.Error("NewSum knows sha3")
	}
}

func TestAlgorithmsInOrderAndOnce(t *testing.T) {
	s, err := digest.Read(context.Background(), strings.NewReader("abc"), fixity.SHA256, fixity.MD5, fixity.SHA256)
	if err != nil {
		t.Fatal(err)
	}
	var got []fixity.Algorithm
	for _, d := range s.Digests {
		got = append(got, d.Algorithm)
	}
	if !slices.Equal(got, []fixity.Algorithm{fixity.SHA256, fixity.MD5}) {
		t.Error(got)
	}
	if d, ok := s.Get(fixity.BLAKE3); ok || !d.IsZero() {
		t.Errorf("a digest nobody asked for: %v", d)
	}
}

// TestCancelledWhileStuck: a Read that never returns doesn't hold Read up, and
// the sums are those of what came before.
func TestCancelledWhileStuck(t *testing.T) {
	why := errors.New("60 seconds without a byte")
	ctx, cancel := context.WithCancelCause(context.Background())
	data := noise(2<<20 + 65536) // whole buffers, so that all of it is handed on
	r := &stuckReader{r: bytes.NewReader(data), release: make(chan struct{})}
	defer close(r.release)
	var read int64
	o := digest.Options{Algorithms: every, Progress: func(n int64) {
		if read += n; read == int64(len(data)) {
			cancel(why)
		}
	}}
	got, err := o.Read(ctx, r)
	if !errors.Is(err, why) {
		t.Errorf("%v, want the cause of the context", err)
	}
	if d := cmp.Diff(sums(t, data, every...), got); d != "" {
		t.Error(d)
	}
}

// stuckReader hangs at the end of r.
type stuckReader struct {
	r       io.Reader
	release chan struct{}
}

func (s *stuckReader) Read(p []byte) (int, error) {
	n, err := s.r.Read(p)
	if err == io.EOF {
		<-s.release
	}
	return n, err
}

func TestCancelledBefore(t *testing.T) {
	ctx, cancel := context.WithCancel(context.Background())
	cancel()
	got, err := digest.Read(ctx, strings.NewReader("abc"), fixity.MD5)
	if !errors.Is(err, context.Canceled) || got.Size != 0 {
		t.Errorf("%d bytes, %v", got.Size, err)
	}
}

func TestProgressAndTee(t *testing.T) {
	data := noise(3<<20 + 5)
	var copied bytes.Buffer
	var told int64
	o := digest.Options{Algorithms: []fixity.Algorithm{fixity.BLAKE3}, Tee: &copied, Progress: func(n int64) { told += n }}
	got, err := o.Read(context.Background(), bytes.NewReader(data))
	if err != nil {
		t.Fatal(err)
	}
	if !bytes.Equal(copied.Bytes(), data) || told != int64(len(data)) {
		t.Errorf("%d bytes copied, %d told of %d", copied.Len(), told, len(data))
	}
	if d := cmp.Diff(sums(t, data, fixity.BLAKE3), got); d != "" {
		t.Error(d)
	}
}

// full takes n bytes and no more.
type full struct{ n int }

func (f *full) Write(p []byte) (int, error) {
	if f.n -= len(p); f.n < 0 {
		return 0, errors.New("full")
	}
	return len(p), nil
}

func TestTeeFails(t *testing.T) {
	data := noise(3 << 20)
	o := digest.Options{Algorithms: every, Tee: &full{digest.BlockSize + 1<<20}}
	got, err := o.Read(context.Background(), bytes.NewReader(data))
	if err == nil || err.Error() != "full" {
		t.Errorf("%v, want the writer's error", err)
	}
	if d := cmp.Diff(sums(t, data[:digest.BlockSize+1<<20], every...), got); d != "" {
		t.Errorf("sums aren't those of what was written:\n%s", d)
	}
}

// watcher notes how the memory lies that it is asked to fill.
type watcher struct {
	r       io.Reader
	offset  int64
	crooked int
	reads   int
}

func (w *watcher) Read(p []byte) (int, error) {
	w.reads++
	if uintptr(unsafe.Pointer(unsafe.SliceData(p)))%4096 != 0 || len(p)%4096 != 0 || w.offset%4096 != 0 {
		w.crooked++
	}
	n, err := w.r.Read(p)
	w.offset += int64(n)
	return n, err
}

func TestBuffersSuitDirectReads(t *testing.T) {
	w := &watcher{r: bytes.NewReader(noise(10 << 20))}
	if _, err := digest.Read(context.Background(), w, fixity.BLAKE3); err != nil {
		t.Fatal(err)
	}
	if w.crooked != 0 || w.reads < 10 || w.reads > 15 {
		t.Errorf("%d of %d reads aren't aligned", w.crooked, w.reads)
	}
}

func TestBlocksEncoded(t *testing.T) {
	for _, blocks := range [][]uint32{{}, {1}, {0x01020304, 0xffffffff, 0}} {
		b := digest.EncodeBlocks(blocks)
		got, err := digest.DecodeBlocks(b)
		if err != nil || !slices.Equal(got, blocks) {
			t.Errorf("%x: %x, %v", blocks, got, err)
		}
	}
	if b := digest.EncodeBlocks([]uint32{0x01020304}); !bytes.Equal(b, []byte{4, 3, 2, 1}) {
		t.Errorf("% x isn't little endian", b)
	}
	for n := 1; n < 4; n++ {
		if got, err := digest.DecodeBlocks(make([]byte, 4+n)); err == nil || got != nil {
			t.Errorf("%d bytes: %v, %v", 4+n, got, err)
		}
	}
}

func TestZeroBlock(t *testing.T) {
	for _, n := range []int{0, 1, 4096, digest.BlockSize} {
		want := uint32(0)
		if s := sums(t, make([]byte, n)); n > 0 {
			want = s.Blocks[0]
		}
		if got := digest.ZeroBlock(n); got != want {
			t.Errorf("%d zeros: %x, want %x", n, got, want)
		}
	}
}
