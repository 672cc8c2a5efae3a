package audit_test

import (
	"errors"
	"fmt"
	"maps"
	"os"
	"path/filepath"
	"slices"
	"strings"
	"testing"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/faulty"
)

// TestEveryByte turns over one bit of byte k, for every k of a small file: each
// time the file is altered, after two readings.
func TestEveryByte(t *testing.T) { onEach(t, testEveryByte) }

func testEveryByte(t *testing.T) {
	const size = 300
	data := strings.Repeat("Quillmere ", size/10)
	files := map[string]string{}
	var faults []faulty.Fault
	for k := range size {
		path := fmt.Sprintf("QV-0107/take-%03d.wav", k)
		files[path] = data
		faults = append(faults, faulty.Flip(path, int64(k), 1<<(k%8)))
	}
	w := newWorldOf(t, files)
	r := w.at("shelf", "masters")
	r.Set(faults...)
	a, p := w.audit(full("shelf"))
	if !p.Complete || p.Read != size {
		t.Fatalf("%d read, complete %t: %q", p.Read, p.Complete, p.Trouble)
	}
	found := w.findings()
	for path := range files {
		f := found[path]
		if f.Kind != fixity.Kind(fixity.Altered) || f.Anatomy != fixity.Flipped || f.RangesMore || !slices.Equal(f.Ranges, []fixity.Range{{Offset: 0, Length: size}}) {
			t.Errorf("%q is %q, %q at %v", path, f.Kind, f.Anatomy, f.Ranges)
		}
		if n := r.wasRead(path); n != 2 {
			t.Errorf("%q was called altered after %d readings", path, n)
		}
	}
	for path, o := range w.lines(a.ID) {
		if !slices.Equal(o, []fixity.Outcome{fixity.ReadDiffers}) {
			t.Errorf("%q is recorded as %v", path, o)
		}
	}
	w.sound()
}

func TestWhereItDiffers(t *testing.T) {
	const block = 64 << 10
	data := strings.Repeat("0123456789abcdef", (2*block+4096)/16)
	for _, c := range []struct {
		at   int64
		want fixity.Range
	}{
		{0, fixity.Range{Offset: 0, Length: block}},
		{block - 1, fixity.Range{Offset: 0, Length: block}},
		{block, fixity.Range{Offset: block, Length: block}},
		{2*block - 1, fixity.Range{Offset: block, Length: block}},
		{2 * block, fixity.Range{Offset: 2 * block, Length: 4096}},
		{2*block + 4095, fixity.Range{Offset: 2 * block, Length: 4096}},
	} {
		t.Run(fmt.Sprint(c.at), func(t *testing.T) {
			w := newWorldOf(t, map[string]string{"QV-0107/side-a.wav": data})
			// The byte is another one on the drive, and neither size nor date tell.
			at := w.file("shelf", "masters", "QV-0107/side-a.wav")
			bad := []byte(data)
			bad[c.at] ^= 0x20
			w.put("shelf", "masters", "QV-0107/side-a.wav", string(bad))
			w.audit(full("shelf"))
			f := w.findings()["QV-0107/side-a.wav"]
			if f.Kind != fixity.Kind(fixity.Altered) || f.Anatomy != fixity.Flipped || !slices.Equal(f.Ranges, []fixity.Range{c.want}) {
				t.Errorf("got %q, %q at %v, want flipped at %v", f.Kind, f.Anatomy, f.Ranges, c.want)
			}
			if !f.Facts.Tells(fixity.SignKept) {
				t.Errorf("the finding doesn't say that size and date are the same: %v", f.Facts.Seen)
			}
			if _, err := os.Stat(at); err != nil {
				t.Error(err)
			}
		})
	}
}

// TestAnatomy changes the file on the drive and looks at what the finding says.
func TestAnatomy(t *testing.T) {
	const block = 64 << 10
	data := strings.Repeat("0123456789abcdef", 4*block/16)
	for name, c := range map[string]struct {
		now  string
		want fixity.Anatomy
		at   []fixity.Range
	}{
		"cut short":  {data[:2*block], fixity.CutShort, []fixity.Range{{Offset: 2 * block, Length: 2 * block}}},
		"empty":      {"", fixity.CutShort, []fixity.Range{{Offset: 0, Length: 4 * block}}},
		"grown":      {data + "more", fixity.Grown, []fixity.Range{{Offset: 4 * block, Length: 4}}},
		"zeroed":     {data[:block] + strings.Repeat("\x00", block) + data[2*block:], fixity.Zeroed, []fixity.Range{{Offset: block, Length: block}}},
		"other file": {strings.Repeat("another recording", 10_000), fixity.Replaced, nil},
		// Less than a block is left, whose sum can't be compared: it may be anything.
		"small rest": {data[:1000], "", []fixity.Range{{Offset: 0, Length: 4 * block}}},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, map[string]string{one: data})
			w.put("shelf", "masters", one, c.now)
			// Another size is a reason to read; the same one isn't.
			_, p := w.audit(ledger.Audit{Store: "shelf"})
			if due := len(c.now) != len(data); (p.Read == 1) != due {
				t.Errorf("%d were read", p.Read)
			}
			w.audit(full("shelf"))
			f := w.findings()[one]
			if f.Kind != fixity.Kind(fixity.Altered) || f.Anatomy != c.want || c.at != nil && !slices.Equal(f.Ranges, c.at) {
				t.Errorf("%q, %q at %v, want %q at %v", f.Kind, f.Anatomy, f.Ranges, c.want, c.at)
			}
		})
	}
}

const one = "QV-0107/side-a.wav"

// TestOneWrongReading: two readings that disagree are not damage.
func TestOneWrongReading(t *testing.T) {
	data := strings.Repeat("side a ", 100_000/7)
	bad := fmt.Errorf("%w: bad sector", fixity.ErrUnreadable)
	once := func(op faulty.Op, n int, e faulty.Effect) faulty.Fault {
		return func(c faulty.Call) faulty.Effect {
			if c.Op == op && c.Path == one && c.Nread == n && (op != faulty.Read || c.Offset >= 64<<10) {
				return e
			}
			return faulty.Effect{}
		}
	}
	for name, c := range map[string]struct {
		fault faulty.Fault
		want  fixity.State
		says  fixity.FactKind
	}{
		"first reading flips":          {faulty.FlipOnce(one, 70_000, 1, 0), fixity.Unsteady, fixity.ReadingsVary},
		"both flip, elsewhere":         {join(faulty.FlipOnce(one, 70_000, 1, 0), faulty.FlipOnce(one, 70_001, 1, 1)), fixity.Unsteady, fixity.ReadingsVary},
		"first can't be read":          {once(faulty.Read, 0, faulty.Effect{Err: bad}), fixity.Unsteady, fixity.OneFailed},
		"first can't be opened":        {once(faulty.Open, 0, faulty.Effect{Err: bad}), fixity.Unsteady, fixity.OneFailed},
		"flips, then can't be read":    {join(faulty.FlipOnce(one, 0, 1, 0), once(faulty.Read, 1, faulty.Effect{Err: bad})), fixity.Unsteady, fixity.OneFailed},
		"first ends early":             {once(faulty.Read, 0, faulty.Effect{End: true}), fixity.Unsteady, fixity.OneFailed},
		"ends early each time":         {faulty.Short(one, 65_536), fixity.Unreadable, fixity.NotGiven},
		"can't be read each time":      {faulty.Unreadable(one, 70_000), fixity.Unreadable, fixity.NotGiven},
		"only the second would be bad": {faulty.FlipOnce(one, 0, 1, 1), fixity.Intact, ""},
		"a few bytes at a time":        {func(faulty.Call) faulty.Effect { return faulty.Effect{Most: 777} }, fixity.Intact, ""},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, map[string]string{one: data})
			w.at("shelf", "masters").Set(c.fault)
			w.audit(full("shelf"))
			got := w.copyOf("shelf", "masters", one)
			f := w.findings()[one]
			if got.State != c.want || c.says != "" && !f.Facts.Tells(c.says) {
				t.Errorf("got %s, %v; want %s, %q", got.State, f.Facts.Seen, c.want, c.says)
			}
			if got.State != fixity.Intact && got.Read.OK {
				t.Error("its last reading counts as good")
			}
			if c.want == fixity.Unreadable {
				if want := []fixity.Range{{Offset: 64 << 10, Length: int64(len(data)) - 64<<10}}; !slices.Equal(f.Ranges, want) {
					t.Errorf("what can't be read is %v, want %v", f.Ranges, want)
				}
			}
			// It is read again at the next audit, without being told to.
			w.at("shelf", "masters").Set()
			_, p := w.audit(ledger.Audit{Store: "shelf"})
			if due := c.want != fixity.Intact; (p.Read == 1) != due {
				t.Errorf("the next audit read %d", p.Read)
			}
			if s := w.states("shelf", "masters")[one]; s != fixity.Intact || len(w.findings()) > 0 {
				t.Errorf("read well again it is %s, with %v", s, w.kinds())
			}
			w.sound()
		})
	}
}

func join(fs ...faulty.Fault) faulty.Fault {
	return func(c faulty.Call) faulty.Effect {
		var all faulty.Effect
		for _, f := range fs {
			e := f(c)
			if e.Err != nil {
				all.Err = e.Err
			}
			if e.Change != nil {
				all.Change = e.Change
			}
		}
		return all
	}
}

// TestNotRead: what keeps a file from being read for another reason than the
// medium's is none of altered, missing, unreadable, unsteady. It stays due and the
// audit says why.
func TestNotRead(t *testing.T) { onEach(t, testNotRead) }

func testNotRead(t *testing.T) {
	data := strings.Repeat("side a ", 100_000/7)
	for name, c := range map[string]struct {
		during func(w *world, r *root) faulty.Fault
		says   string
	}{
		"it is in use":    {func(*world, *root) faulty.Fault { return faulty.On(faulty.Open, one, fixity.ErrInUse) }, "in use"},
		"it is forbidden": {func(*world, *root) faulty.Fault { return faulty.On(faulty.Open, one, fixity.ErrDenied) }, "permission denied"},
		"it is written to during its reading": {func(w *world, r *root) faulty.Fault {
			return func(c faulty.Call) faulty.Effect {
				if c.Op == faulty.Read && c.Offset == 0 {
					appendTo(w, w.file("shelf", "masters", one))
				}
				return faulty.Effect{}
			}
		}, "changed while it was read"},
		"it is saved between two readings": {func(w *world, r *root) faulty.Fault {
			return func(c faulty.Call) faulty.Effect {
				if c.Op == faulty.Close {
					appendTo(w, w.file("shelf", "masters", one))
				}
				return faulty.Flip(one, 0, 1)(c)
			}
		}, "changed while it was read"},
		"it vanishes after the listing": {func(w *world, r *root) faulty.Fault {
			return func(c faulty.Call) faulty.Effect {
				if c.Op == faulty.Step && c.Path == one {
					w.must(os.Rename(w.file("shelf", "masters", one), filepath.Join(w.t.TempDir(), "aside")))
				}
				return faulty.Effect{}
			}
		}, "vanished"},
		"it vanishes before it is opened": {func(w *world, r *root) faulty.Fault {
			return func(c faulty.Call) faulty.Effect {
				if c.Op == faulty.Open && c.Path == one {
					w.must(os.Rename(w.file("shelf", "masters", one), filepath.Join(w.t.TempDir(), "aside")))
				}
				return faulty.Effect{}
			}
		}, "vanished"},
		"its place is taken by a folder": {func(w *world, r *root) faulty.Fault {
			return func(c faulty.Call) faulty.Effect {
				if c.Op == faulty.Open && c.Path == one {
					w.must(os.Remove(w.file("shelf", "masters", one)))
					w.must(os.Mkdir(w.file("shelf", "masters", one), 0o777))
				}
				return faulty.Effect{}
			}
		}, "changed"},
	} {
		t.Run(name, func(t *testing.T) {
			w := newWorldOf(t, map[string]string{one: data, "QV-0107/side-b.wav": "side b", "QV-0109/side-a.wav": "side a"})
			r := w.at("shelf", "masters")
			before := w.copyOf("shelf", "masters", one)
			r.Set(c.during(w, r))
			a, p := w.audit(full("shelf"))
			if d := cmp.Diff(of(fixity.Intact, one, "QV-0107/side-b.wav", "QV-0109/side-a.wav"), w.states("shelf", "masters")); d != "" {
				t.Errorf("states (-want +got):\n%s", d)
			}
			if k := w.kinds(); len(k) > 0 {
				t.Errorf("findings: %v", k)
			}
			if p.Complete || len(p.Trouble) != 1 || !strings.Contains(p.Trouble[0], c.says) || !strings.Contains(p.Trouble[0], one) {
				t.Errorf("complete %t, and says %q; want %q", p.Complete, p.Trouble, c.says)
			}
			if len(w.notes) != 1 || !strings.Contains(w.notes[0], one) {
				t.Errorf("notes %q", w.notes)
			}
			if after := w.copyOf("shelf", "masters", one); !after.Read.At.Equal(before.Read.At) {
				t.Error("it counts as read")
			}
			if got := slices.Sorted(maps.Keys(w.lines(a.ID))); !slices.Equal(got, []string{"QV-0107/side-b.wav", "QV-0109/side-a.wav"}) {
				t.Errorf("recorded readings of %v", got)
			}
			// Put right, the next full audit reads it, whatever it read of the others.
			r.Set()
			w.must(os.RemoveAll(w.file("shelf", "masters", one)))
			w.put("shelf", "masters", one, data)
			b, p := w.audit(full("shelf"))
			if !p.Complete || !slices.Equal(w.lines(b.ID)[one], []fixity.Outcome{fixity.ReadIntact}) {
				t.Errorf("then: complete %t, %q, %v", p.Complete, p.Trouble, w.lines(b.ID))
			}
		})
	}
}

func appendTo(w *world, path string) {
	w.t.Helper()
	f, err := os.OpenFile(path, os.O_APPEND|os.O_WRONLY, 0)
	w.must(err)
	_, err = f.WriteString("more")
	w.must(errors.Join(err, f.Close()))
}

// TestStaysDue: what could not be read is read at the next audit of what is due.
func TestStaysDue(t *testing.T) {
	w := newWorldOf(t, map[string]string{one: "side a", "QV-0107/side-b.wav": "side b"})
	r := w.at("shelf", "masters")
	w.now = w.now.Add(100 * day)
	r.Set(faulty.On(faulty.Open, one, fixity.ErrInUse))
	if _, p := w.audit(ledger.Audit{Store: "shelf"}); p.Read != 1 || p.Complete {
		t.Errorf("read %d, complete %t", p.Read, p.Complete)
	}
	r.Set()
	a, p := w.audit(ledger.Audit{Store: "shelf"})
	if got := w.lines(a.ID); p.Read != 1 || !p.Complete || len(got[one]) != 1 {
		t.Errorf("then %v were read, complete %t", got, p.Complete)
	}
	if _, p := w.audit(ledger.Audit{Store: "shelf"}); p.Read != 0 {
		t.Errorf("and then %d more", p.Read)
	}
}
