package audit_test

import (
	"cmp"
	"context"
	"crypto/md5"
	"crypto/sha256"
	"encoding/binary"
	"fmt"
	"hash/crc32"
	"hash/crc64"
	"iter"
	"maps"
	"os"
	"slices"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/audit"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

// reporting is a root of which a service reports digests, as it recorded them when
// the bytes came.
type reporting struct {
	*root
	alg   fixity.Algorithm
	lies  map[string]string // by path, the bytes that the digest it reports is of
	basis fixity.Basis
}

func (r *reporting) List(ctx context.Context, shard string) iter.Seq2[fixity.Entry, error] {
	return func(yield func(fixity.Entry, error) bool) {
		for e, err := range r.root.List(ctx, shard) {
			if !yield(r.reported(e, err)) {
				return
			}
		}
	}
}

func (r *reporting) Stat(ctx context.Context, path string) (fixity.Entry, error) {
	return r.reported(r.root.Stat(ctx, path))
}

func (r *reporting) reported(e fixity.Entry, err error) (fixity.Entry, error) {
	if err != nil || e.Type != fixity.File {
		return e, err
	}
	data, err := os.ReadFile(r.dir + "/" + e.Path)
	if err != nil {
		panic(err)
	}
	if lie, ok := r.lies[e.Path]; ok {
		data = []byte(lie)
	}
	e.Reported, e.Basis = reportOf(r.alg, string(data)), cmp.Or(r.basis, fixity.Basis(r.alg))
	return e, nil
}

func reportOf(a fixity.Algorithm, data string) fixity.Digest {
	switch a {
	case fixity.SHA256:
		s := sha256.Sum256([]byte(data))
		return fixity.DigestOf(a, s[:])
	case fixity.MD5:
		s := md5.Sum([]byte(data))
		return fixity.DigestOf(a, s[:])
	case fixity.CRC32C:
		return fixity.DigestOf(a, binary.BigEndian.AppendUint32(nil, crc32.Checksum([]byte(data), crc32.MakeTable(crc32.Castagnoli))))
	case fixity.CRC64NVME:
		return fixity.DigestOf(a, binary.BigEndian.AppendUint64(nil, crc64.Checksum([]byte(data), crc64.MakeTable(0x9a6c9329ac4bc9b5))))
	}
	return fixity.Digest{}
}

// reportedWorld is a world whose second store is one that reports digests.
func reportedWorld(t *testing.T, files map[string]string, alg fixity.Algorithm, set, store string) (*world, *reporting) {
	t.Helper()
	pattern := func(text string) *care.Pattern {
		if text == "" {
			return nil
		}
		p, err := care.NewPattern(text)
		if err != nil {
			t.Fatal(err)
		}
		return p
	}
	rules := care.Rules{
		Stores: []care.Store{
			{Name: "shelf", Kind: "disk", Sets: []string{"masters"}, Arrivals: true, ReadWithin: 90 * day, ExpectWithin: 7 * day},
			{Name: "cloud", Kind: "cloud", Sets: []string{"masters"}, ReadWithin: 90 * day, ExpectWithin: 7 * day},
		},
		Sets: []care.Set{{Name: "masters", Role: fixity.Master, Pattern: pattern(set)}},
	}
	if store != "" {
		rules.Stores[1].Patterns = map[string]*care.Pattern{"masters": pattern(store)}
	}
	w := newWorld(t, rules)
	w.take("masters", files)
	return w, &reporting{root: w.at("cloud", "masters"), alg: alg, lies: map[string]string{}}
}

// auditReported audits the reporting store.
func (w *world) auditReported(r *reporting, full bool) (ledger.Audit, ledger.Progress) {
	w.t.Helper()
	w.now = w.now.Add(day)
	a, err := w.begin(ledger.Audit{Store: "cloud", Full: full})
	w.must(err)
	aud := w.auditor()
	aud.Open = func(string, string, fixity.Cache) (audit.Store, error) { return r, nil }
	w.must(aud.Run(context.Background(), a.ID, fixity.PhaseList))
	w.sound()
	return a, w.progress(a)
}

func (w *world) remarks(a ledger.Audit) (out []fixity.Fact) {
	w.t.Helper()
	w.view(func(tx *ledger.Tx) (err error) { out, err = tx.Audits.Remarks(a.ID); return err })
	return out
}

func (w *world) rename(store, from, to string) {
	w.t.Helper()
	at := w.file(store, "masters", to)
	w.must(os.MkdirAll(at[:strings.LastIndex(at, "/")], 0o777))
	w.must(os.Rename(w.file(store, "masters", from), at))
}

// TestReportedMoves: a digest that is reported pairs what was moved, and none is read
// but where the report can't tell.
func TestReportedMoves(t *testing.T) { onEach(t, testReportedMoves) }

func testReportedMoves(t *testing.T) {
	const a, b = "QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav"
	files := map[string]string{a: "side a", b: "side b"}
	for name, tc := range map[string]struct {
		alg   fixity.Algorithm
		lie   string // what the report of the moved file is of
		kind  map[string]fixity.Kind
		reads int
	}{
		"SHA-256":        {fixity.SHA256, "", of(fixity.Kind(fixity.Misplaced), a), 0},
		"no MD5 is kept": {fixity.MD5, "", of(fixity.Kind(fixity.Misplaced), a), 1},
		"none":           {"", "", of(fixity.Kind(fixity.Misplaced), a), 1},
		"of other bytes": {fixity.SHA256, "side x", map[string]fixity.Kind{a: fixity.Kind(fixity.Missing), "sorted/1.wav": fixity.Kind(fixity.Unexpected)}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			w, r := reportedWorld(t, files, tc.alg, "", "")
			w.rename("cloud", a, "sorted/1.wav")
			if tc.lie != "" {
				r.lies["sorted/1.wav"] = tc.lie
			}
			w.auditReported(r, false)
			if got := w.kinds(); !maps.Equal(got, tc.kind) {
				t.Errorf("findings %v, want %v", got, tc.kind)
			}
			if n := r.wasRead("sorted/1.wav"); n != tc.reads {
				t.Errorf("read %d times, want %d", n, tc.reads)
			}
			if f := w.findings()[a]; f.Kind == fixity.Kind(fixity.Misplaced) && f.FoundAt != "sorted/1.wav" {
				t.Errorf("found at %q", f.FoundAt)
			}
		})
	}
}

// TestReportedStrays: a stray is new to the ledger when the digest that is reported
// changes, not when its time does.
func TestReportedStrays(t *testing.T) { onEach(t, testReportedStrays) }

func testReportedStrays(t *testing.T) {
	w, r := reportedWorld(t, map[string]string{"QV-0107/a.wav": "side a"}, fixity.SHA256, "", "")
	w.put("cloud", "masters", "QV-0107/notes.txt", "notes")
	w.auditReported(r, false)
	f := w.findings()["QV-0107/notes.txt"]
	if f.Kind != fixity.Kind(fixity.Unexpected) {
		t.Fatalf("findings %v", w.kinds())
	}
	w.tx(func(tx *ledger.Tx) error { return tx.Findings.SignOffStray(f, "a test", "wanted") })
	w.must(os.Chtimes(w.file("cloud", "masters", "QV-0107/notes.txt"), w.now, w.now))
	w.auditReported(r, false)
	if got := w.kinds(); len(got) != 0 {
		t.Errorf("touched: %v", got)
	}
	w.put("cloud", "masters", "QV-0107/notes.txt", "NOTES")
	w.auditReported(r, false)
	if got := w.kinds(); len(got) != 1 {
		t.Errorf("exchanged: %v", got)
	}
}

// TestFiledByPattern: a whole set that a store files in another way is paired in one
// audit, and what was read nowhere stays unread.
func TestFiledByPattern(t *testing.T) { onEach(t, testFiledByPattern) }

func testFiledByPattern(t *testing.T) {
	files := map[string]string{}
	for i := range 120 {
		files[fmt.Sprintf("QV-%04d/QV-%04d_%c.wav", i/2, i/2, 'A'+i%2)] = fmt.Sprintf("side %d", i)
	}
	at := func(path string) string { return "by side/" + path[len(path)-5:len(path)-4] + "/" + path[:7] + ".wav" }
	w, r := reportedWorld(t, files, fixity.SHA256, "{item}/{item}_{side}.wav", "by side/{side}/{item}.wav")
	for path := range files {
		w.rename("cloud", path, at(path))
	}
	// One is another by its digest; one lacks.
	const other, lacks = "QV-0007/QV-0007_A.wav", "QV-0008/QV-0008_B.wav"
	w.put("cloud", "masters", at(other), "not side 14")
	w.must(os.Remove(w.file("cloud", "masters", at(lacks))))
	w.auditReported(r, false)
	want := map[string]fixity.Kind{other: fixity.Kind(fixity.Altered), lacks: fixity.Kind(fixity.Missing)}
	if got := w.kinds(); !maps.Equal(got, want) {
		t.Errorf("findings %v, want %v", got, want)
	}
	for path := range files {
		c, reads := w.copyOf("cloud", "masters", path), 0
		if path == other {
			reads = 2
		}
		if path != lacks && c.At != at(path) || r.wasRead(at(path)) != reads {
			t.Errorf("%s: at %q, read %d times", path, c.At, r.wasRead(at(path)))
		}
	}
	if states := slices.Sorted(maps.Values(w.states("cloud", "masters"))); states[0] != fixity.Altered || states[1] != fixity.Intact || states[118] != fixity.Intact {
		t.Errorf("states %v", states)
	}
	// An audit later nothing has changed.
	w.auditReported(r, false)
	if got := w.kinds(); !maps.Equal(got, want) {
		t.Errorf("the next audit: %v", got)
	}
}

// TestCaseAndForm: a name that differs in Unicode form or case is the same place, if
// no other file has that name.
func TestCaseAndForm(t *testing.T) { onEach(t, testCaseAndForm) }

func testCaseAndForm(t *testing.T) {
	const nfc, nfd = "QV-0110/B\u00e4nkelsang.wav", "QV-0110/Ba\u0308nkelsang.wav"
	for name, tc := range map[string]struct {
		files   map[string]string
		change  func(w *world)
		want    map[string]fixity.Kind
		remarks int
	}{
		"form":          {of("a", nfc), func(w *world) { w.rename("cloud", nfc, nfd) }, map[string]fixity.Kind{}, 0},
		"case":          {of("a", "QV-0110/a.wav"), func(w *world) { w.rename("cloud", "QV-0110/a.wav", "qv-0110/A.WAV") }, map[string]fixity.Kind{}, 1},
		"form and case": {of("a", nfc), func(w *world) { w.rename("cloud", nfc, strings.ToUpper(nfd)) }, map[string]fixity.Kind{}, 1},
		"form, and altered": {of("a", nfc), func(w *world) {
			w.must(os.Remove(w.file("cloud", "masters", nfc)))
			w.put("cloud", "masters", nfd, "another")
		}, of(fixity.Kind(fixity.Altered), nfc), 0},
		"case, and another file": {of("a", "QV-0110/a.wav"), func(w *world) {
			w.must(os.Remove(w.file("cloud", "masters", "QV-0110/a.wav")))
			w.put("cloud", "masters", "QV-0110/A.wav", "another")
		}, map[string]fixity.Kind{"QV-0110/a.wav": fixity.Kind(fixity.Missing), "QV-0110/A.wav": fixity.Kind(fixity.Unexpected)}, 0},
		"both names are under care": {map[string]string{"QV-0110/a.wav": "a", "QV-0110/A.wav": "b"}, func(w *world) {
			w.rename("cloud", "QV-0110/a.wav", "QV-0110/A.WAV")
		}, of(fixity.Kind(fixity.Misplaced), "QV-0110/a.wav"), 0},
		"two that may be it": {of("a", "QV-0110/a.wav"), func(w *world) {
			w.rename("cloud", "QV-0110/a.wav", "QV-0110/A.wav")
			w.put("cloud", "masters", "QV-0110/A.WAV", "a")
		}, map[string]fixity.Kind{"QV-0110/a.wav": fixity.Kind(fixity.Misplaced), "QV-0110/A.WAV": fixity.Kind(fixity.Unexpected)}, 0},
	} {
		t.Run(name, func(t *testing.T) {
			for _, alg := range []fixity.Algorithm{"", fixity.SHA256} {
				w, r := reportedWorld(t, tc.files, alg, "", "")
				tc.change(w)
				a, _ := w.auditReported(r, false)
				if got := w.kinds(); len(got) != len(tc.want) || !slices.Equal(slices.Sorted(maps.Values(got)), slices.Sorted(maps.Values(tc.want))) {
					t.Errorf("digest %q: findings %v, want %v", alg, got, tc.want)
				}
				if got := w.remarks(a); len(got) != tc.remarks {
					t.Errorf("digest %q: remarks %v", alg, got)
				}
				before := w.kinds()
				if a, _ = w.auditReported(r, true); !maps.Equal(w.kinds(), before) || len(w.remarks(a)) != 0 {
					t.Errorf("digest %q: the next audit finds %v, %v", alg, w.kinds(), w.remarks(a))
				}
			}
		})
	}
}

// TestReportAsksForItsDigest: a service that reports only MD5, or a checksum, says nothing of
// versions that were read without it. The next reading that proves a version finds it out, in whatever
// store, and from then on the report counts.
func TestReportAsksForItsDigest(t *testing.T) { onEach(t, testReportAsksForItsDigest) }

func testReportAsksForItsDigest(t *testing.T) {
	for _, alg := range []fixity.Algorithm{fixity.MD5, fixity.CRC32C, fixity.CRC64NVME} {
		t.Run(string(alg), func(t *testing.T) { asksFor(t, alg) })
	}
}

func asksFor(t *testing.T, alg fixity.Algorithm) {
	const a, b = "QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav"
	w, r := reportedWorld(t, map[string]string{a: "side a", b: "side b"}, alg, "", "")
	known := func() (n int) {
		w.view(func(tx *ledger.Tx) error {
			for _, path := range []string{a, b} {
				f, err := tx.Files.At("masters", path)
				if err != nil {
					return err
				}
				v, err := tx.Files.Version(f.ID, 1)
				if err != nil {
					return err
				}
				got := append(slices.Clone(v.Checksums), v.MD5)
				if want := reportOf(alg, map[string]string{a: "side a", b: "side b"}[path]); slices.Contains(got, want) {
					n++
				} else if len(got) > 1 || !v.MD5.IsZero() {
					t.Errorf("%q has %v, want %v", path, got, want)
				}
			}
			return nil
		})
		return n
	}
	for range 2 {
		if _, p := w.auditReported(r, false); p.Read != 0 || known() != 0 {
			t.Errorf("%d were read since nobody knows their digest, %d are known", p.Read, known())
		}
	}
	if c := w.copyOf("cloud", "masters", a); c.Reported.OK || !c.Reported.At.IsZero() || c.State != fixity.Intact {
		t.Errorf("by a report that says nothing it is %s, %+v", c.State, c.Reported)
	}
	w.audit(full("shelf"))
	if n := known(); n != 2 {
		t.Errorf("of 2 that were read %d are known", n)
	}
	w.audit(full("shelf"))
	r.lies[b] = "side x"
	w.auditReported(r, false)
	if c := w.copyOf("cloud", "masters", a); !c.Reported.OK {
		t.Errorf("reported as it is, it has %+v", c.Reported)
	}
	if c := w.copyOf("cloud", "masters", b); c.Reported.OK || c.Reported.At.IsZero() {
		t.Errorf("reported as other bytes, it has %+v", c.Reported)
	}
	w.sound()
}

// TestWeakReport: one that may be of something else than the bytes counts if it agrees. If it
// doesn't, size and time count, as where there is none: nothing is read for it, and nothing
// is found.
func TestWeakReport(t *testing.T) { onEach(t, testWeakReport) }

func testWeakReport(t *testing.T) {
	const a, b = "QV-0107/QV-0107_A.wav", "QV-0107/QV-0107_B.wav"
	w, r := reportedWorld(t, map[string]string{a: "side a", b: "side b"}, fixity.SHA256, "", "")
	r.basis, r.lies[b] = fixity.ByETag, "encrypted"
	for range 3 {
		if _, p := w.auditReported(r, false); p.Read != 0 || len(w.kinds()) != 0 {
			t.Errorf("%d read, found %v", p.Read, w.kinds())
		}
	}
	if c := w.copyOf("cloud", "masters", a); !c.Reported.OK {
		t.Errorf("that agrees: %+v", c.Reported)
	}
	if c := w.copyOf("cloud", "masters", b); c.Reported.OK || !c.Reported.At.IsZero() || c.State != fixity.Intact {
		t.Errorf("that doesn't agree: %s, %+v", c.State, c.Reported)
	}
	w.put("cloud", "masters", b, "side x")
	w.must(os.Chtimes(w.file("cloud", "masters", b), begun, begun))
	if _, p := w.auditReported(r, false); p.Read != 1 || w.kinds()[b] != fixity.Kind(fixity.Altered) {
		t.Errorf("exchanged: %d read, found %v", p.Read, w.kinds())
	}
}

// TestStaleReport: what a service reported of bytes says nothing of those that took their
// place without a report, or with one that is weak and doesn't agree: nobody is told that
// the service has the right ones.
func TestStaleReport(t *testing.T) { onEach(t, testStaleReport) }

func testStaleReport(t *testing.T) {
	const a = "QV-0107/QV-0107_A.wav"
	for name, silence := range map[string]func(r *reporting){
		"no report":   func(r *reporting) { r.alg = "" },
		"a weak one":  func(r *reporting) { r.basis, r.lies[a] = fixity.ByETag, "encrypted" },
		"an unknown":  func(r *reporting) { r.alg = fixity.CRC32C },
		"a right one": nil,
	} {
		for _, sign := range []string{"size", "time", "inode"} {
			t.Run(name+", other "+sign, func(t *testing.T) {
				w, r := reportedWorld(t, map[string]string{a: "side a"}, fixity.SHA256, "", "")
				w.auditReported(r, false)
				c := w.copyOf("cloud", "masters", a)
				if !c.Reported.OK || c.InodeAt == 0 {
					t.Fatalf("%+v", c)
				}
				if silence == nil { // what agrees again is not written again, and stays
					w.auditReported(r, false)
					if now := w.copyOf("cloud", "masters", a); now != c {
						t.Errorf("%+v\n%+v", now, c)
					}
					return
				}
				silence(r)
				data := "side x"
				if sign == "size" {
					data = "side x and more"
				}
				w.put("cloud", "masters", a, data)
				if sign != "time" {
					at := time.Unix(0, c.ModTime)
					w.must(os.Chtimes(w.file("cloud", "masters", a), at, at))
				}
				_, p := w.auditReported(r, false)
				c = w.copyOf("cloud", "masters", a)
				if f := w.findings()[a]; p.Read != 1 || f.Kind != fixity.Kind(fixity.Altered) || f.Facts.Tells(fixity.ServiceRight) {
					t.Errorf("%d read, found %+v", p.Read, f)
				}
				if c.Reported.OK {
					t.Errorf("it counts as reported: %+v", c.Reported)
				}
				if n := r.wasRead(a); n != 2 {
					t.Errorf("read %d times: a weak report is no contradiction", n)
				}
			})
		}
	}
}
