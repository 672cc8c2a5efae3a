package audit_test

import (
	"slices"
	"testing"
	"time"

	"github.com/google/go-cmp/cmp"

	"firmus/fixity"
	"firmus/fixity/digest"
	"firmus/fixity/ledger"
	"firmus/replicas/testing/faulty"
)

// TestBehind: bytes that were the file's once are an earlier version, never damage.
func TestBehind(t *testing.T) { onEach(t, testBehind) }

func testBehind(t *testing.T) {
	w := newWorld(t, twoStores)
	w.take("masters", map[string]string{one: "side a, as transferred"})
	// A re-edit is signed off in arrivals; the vault still has what it had.
	w.put("shelf", "masters", one, "side a, played again")
	w.tx(func(tx *ledger.Tx) error {
		f, err := tx.Files.At("masters", one)
		if err != nil {
			return err
		}
		sums, err := digest.Read(t.Context(), readerOf("side a, played again"), fixity.BLAKE3, fixity.SHA256)
		if err != nil {
			return err
		}
		_, err = tx.Files.NewVersion(f.ID, ledger.VersionOf(sums.Size, sums.Digests, sums.Blocks, "a test", "played again"), true, "")
		return err
	})
	w.audit(full("shelf"))
	a, p := w.audit(full("vault"))
	if got := w.states("shelf", "masters")[one]; got != fixity.Intact {
		t.Errorf("in arrivals it is %s", got)
	}
	c := w.copyOf("vault", "masters", one)
	if c.State != fixity.Behind || c.Held != 1 || !c.Read.OK || !p.Complete {
		t.Errorf("in the vault it is %s with version %d, good %t", c.State, c.Held, c.Read.OK)
	}
	if got := w.lines(a.ID)[one]; !slices.Equal(got, []fixity.Outcome{fixity.ReadEarlier}) || w.at("vault", "masters").wasRead(one) != 1 {
		t.Errorf("recorded as %v", got)
	}
	if k := w.kinds(); len(k) > 0 {
		t.Errorf("within its promise it is a finding: %v", k)
	}
	w.now = w.now.Add(8 * day)
	w.audit(ledger.Audit{Store: "vault"})
	if d := cmp.Diff(of(fixity.Kind(fixity.Behind), one), w.kinds()); d != "" {
		t.Errorf("after its promise (-want +got):\n%s", d)
	}
	// It is copied at last: recognised by its bytes.
	w.put("vault", "masters", one, "side a, played again")
	w.audit(full("vault"))
	if c := w.copyOf("vault", "masters", one); c.State != fixity.Intact || c.Held != 2 || len(w.kinds()) > 0 {
		t.Errorf("copied, it is %s with version %d and %v", c.State, c.Held, w.kinds())
	}
	w.sound()
}

// TestEditing: a save inside the editing window is a version, not a finding.
func TestEditing(t *testing.T) { onEach(t, testEditing) }

func testEditing(t *testing.T) {
	const song = "QV-0107/song-3.wav"
	w := newWorld(t, twoStores)
	w.take("access", map[string]string{song: "a song", "QV-0107/song-4.wav": "another"})
	save := func(data string) {
		w.put("shelf", "access", song, data)
		w.must(chtime(w.file("shelf", "access", song), w.now))
	}
	save("a song, trimmed")
	w.audit(ledger.Audit{Store: "shelf"})
	c := w.copyOf("shelf", "access", song)
	if c.State != fixity.Editing || c.Held != 2 || !c.Read.OK || len(w.kinds()) > 0 {
		t.Errorf("saved, it is %s with version %d and %v", c.State, c.Held, w.kinds())
	}
	var versions []ledger.Version
	var saved int
	w.view(func(tx *ledger.Tx) (err error) {
		if versions, err = tx.Files.Versions(c.File); err != nil {
			return err
		}
		return tx.Log.Of(c.File, func(e ledger.Event) error {
			if e.Verb == fixity.Saved {
				saved++
			}
			return nil
		})
	})
	if len(versions) != 2 || versions[1].SHA256.IsZero() || versions[1].Size != int64(len("a song, trimmed")) || saved != 1 {
		t.Errorf("%d events, versions %+v", saved, versions)
	}
	// What the page cache or a cable turned over meanwhile isn't a save: neither size
	// nor time tell of one.
	w.at("shelf", "access").Set(faulty.Flip(song, 0, 1))
	w.audit(full("shelf"))
	if k := w.kinds()[song]; k != fixity.Kind(fixity.Altered) {
		t.Errorf("damaged in its window it is %q", k)
	}
	w.at("shelf", "access").Set()
	w.audit(full("shelf"))
	if k := w.kinds(); len(k) > 0 {
		t.Errorf("read well again: %v", k)
	}
	// At rest for as long as the window, it is finished; a change is a finding then.
	w.now = w.now.Add(31 * day)
	w.audit(ledger.Audit{Store: "shelf", Sets: []string{"access"}})
	if s := w.copyOf("shelf", "access", song).State; s != fixity.Intact {
		t.Errorf("after its window it is %s", s)
	}
	save("a song, trimmed again")
	w.audit(ledger.Audit{Store: "shelf"})
	if s := w.copyOf("shelf", "access", song).State; s != fixity.Altered {
		t.Errorf("changed after its window it is %s", s)
	}
	w.sound()
}

// TestMasterIsFrozen: the same save of a master is a finding at once, and a change
// that only the vault shows is one in any set.
func TestMasterIsFrozen(t *testing.T) {
	w := newWorld(t, twoStores)
	w.take("masters", map[string]string{one: "side a"})
	w.take("access", map[string]string{"QV-0107/song.wav": "a song"})
	w.put("shelf", "masters", one, "side a, denoised")
	w.put("vault", "access", "QV-0107/song.wav", "a sonG!")
	w.audit(ledger.Audit{Store: "shelf"})
	w.audit(ledger.Audit{Store: "vault"})
	if d := cmp.Diff(of(fixity.Kind(fixity.Altered), one, "QV-0107/song.wav"), w.kinds()); d != "" {
		t.Errorf("findings (-want +got):\n%s", d)
	}
}

// TestCacheAllowed: what the page cache may have answered satisfies no promise, and
// a wrong answer of it is no damage.
func TestCacheAllowed(t *testing.T) { onEach(t, testCacheAllowed) }

func testCacheAllowed(t *testing.T) {
	w := newWorldOf(t, map[string]string{one: "side a", "QV-0107/side-b.wav": "side b"})
	cached := newRoot(t, w.at("shelf", "masters").dir, fixity.Allowed)
	w.cache = map[string]*root{"shelf/masters": cached}
	before := w.copyOf("shelf", "masters", one)

	cached.Set(faulty.Flip(one, 0, 1))
	a, p := w.audit(ledger.Audit{Store: "shelf", Full: true, Cache: fixity.Allowed})
	if p.Read != 2 || len(w.kinds()) > 0 {
		t.Errorf("%d read, %v", p.Read, w.kinds())
	}
	if c, d := cached.wasRead(one), w.at("shelf", "masters").wasRead(one); c != 1 || d != 1 {
		t.Errorf("read %d times through the cache and %d times past it", c, d)
	}
	if got := w.copyOf("shelf", "masters", one); got.Read.Cache == fixity.Allowed || got.Read.At.Equal(before.Read.At) {
		t.Errorf("what was read past the cache in the end: %+v", got.Read)
	}
	if got := w.copyOf("shelf", "masters", "QV-0107/side-b.wav"); !got.Read.At.Equal(before.Read.At) || got.Read.Cache != fixity.Bypassed {
		t.Errorf("what the cache may have answered took the place of a reading: %+v", got.Read)
	}
	if got := w.lines(a.ID); len(got) != 2 {
		t.Errorf("recorded %v", got)
	}

	// Due it stays, however often the cache answers.
	cached.Set()
	w.now = w.now.Add(100 * day)
	for range 2 {
		if _, p := w.audit(ledger.Audit{Store: "shelf", Cache: fixity.Allowed}); p.Read != 2 {
			t.Fatalf("%d of 2 due were read", p.Read)
		}
	}
	if k := w.kinds()[""]; k != fixity.Late {
		t.Errorf("the broken promise is %q", k)
	}
	if _, p := w.audit(ledger.Audit{Store: "shelf"}); p.Read != 2 || len(w.kinds()) > 0 {
		t.Errorf("past the cache %d were read, and %v is left", p.Read, w.kinds())
	}
	if _, p := w.audit(ledger.Audit{Store: "shelf"}); p.Read != 0 {
		t.Errorf("then %d were due", p.Read)
	}

	// Damage on the drive is found all the same, by two readings past the cache.
	bad := faulty.Flip(one, 3, 1)
	cached.Set(bad)
	w.at("shelf", "masters").Set(bad)
	n := w.at("shelf", "masters").wasRead(one)
	w.audit(ledger.Audit{Store: "shelf", Full: true, Cache: fixity.Allowed})
	if k, d := w.kinds()[one], w.at("shelf", "masters").wasRead(one)-n; k != fixity.Kind(fixity.Altered) || d != 2 {
		t.Errorf("it is %q after %d readings past the cache", k, d)
	}
	w.sound()
}

// TestHourShift: a file system that keeps local time shows other dates after the
// clocks change. That is a reason to read, never a finding.
func TestHourShift(t *testing.T) {
	w := newWorldOf(t, takes(40))
	for path := range takes(40) {
		w.must(chtime(w.file("shelf", "masters", path), begun.Add(-7*day+time.Hour)))
	}
	if _, p := w.audit(ledger.Audit{Store: "shelf"}); p.Read != 40 || len(w.kinds()) > 0 {
		t.Errorf("%d read, %v", p.Read, w.kinds())
	}
	if _, p := w.audit(ledger.Audit{Store: "shelf"}); p.Read != 0 {
		t.Errorf("then %d more", p.Read)
	}
}
