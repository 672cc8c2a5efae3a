package app_test

import (
	"bytes"
	"context"
	"encoding/binary"
	"errors"
	"fmt"
	"io"
	"io/fs"
	"os"
	"os/exec"
	"path/filepath"
	"slices"
	"strconv"
	"strings"
	"testing"
	"time"

	"firmus/cmd/firmus/internal/acts"
	"firmus/cmd/firmus/internal/acts/deciding"
	"firmus/cmd/firmus/internal/acts/receiving"
	"firmus/cmd/firmus/internal/app"
	"firmus/cmd/firmus/internal/config"
	"firmus/cmd/firmus/internal/stores"
	"firmus/fixity"
	"firmus/fixity/ledger"
)

// A child that ends at one step of an act: which act, at which step, in which world.
const (
	childAct = "FIRMUS_TEST_ACT"
	childAt  = "FIRMUS_TEST_ACT_AT"
	childDir = "FIRMUS_TEST_ACT_DIR"
	ended    = 7 // its exit status when it was ended at the step
)

// actsUnderTest are those that change what manifests say.
var actsUnderTest = []struct {
	name string
	// before makes what the act is about, in a world that was taken in and audited.
	before func(w *world)
	do     func(ctx context.Context, a *app.App) error
}{
	{"intake", func(w *world) {
		w.wav("studio/masters/QV-0200/QV-0200_A.wav", "new", false)
		w.wav("studio/masters/QV-0107/QV-0107_C.wav", "another", false)
	}, func(ctx context.Context, a *app.App) error {
		_, err := a.Receiving.Intake(ctx, receiving.IntakeOrder{})
		return err
	}},
	{"a save in the editing window", func(w *world) {
		w.wav("studio/access/QV-0107/edited.wav", "edited again", false)
	}, func(ctx context.Context, a *app.App) error {
		_, err := a.Acts.Audit(ctx, acts.AuditOrder{})
		return err
	}},
	{"a sign-off of a new place", func(w *world) {
		w.move("studio/masters/QV-0107/QV-0107_B.wav", "studio/masters/QV-0109/QV-0107_B.wav")
		w.audit(acts.AuditOrder{Stores: []string{"studio"}})
	}, func(ctx context.Context, a *app.App) error {
		_, err := a.Deciding.SignOff(ctx, deciding.SignOffOrder{Findings: []int64{1}, Reason: "it belongs there"})
		return err
	}},
	{"a sign-off of an absence", func(w *world) {
		w.remove("studio/masters/QV-0107/QV-0107_B.wav")
		w.audit(acts.AuditOrder{Stores: []string{"studio"}})
	}, func(ctx context.Context, a *app.App) error {
		_, err := a.Deciding.SignOff(ctx, deciding.SignOffOrder{Findings: []int64{1}, Reason: "it was a test tone"})
		return err
	}},
	{"a retirement", func(*world) {}, func(ctx context.Context, a *app.App) error {
		_, err := a.Deciding.Retire(ctx, deciding.RetireOrder{Paths: []string{"masters/QV-0107/QV-0107_A.wav"}, Reason: "given back"})
		return err
	}},
	{"a replacement", func(w *world) {
		w.wav("studio/masters/QV-0107/QV-0107_A_described.wav", "QV-0107_A", true)
		w.intake()
	}, func(ctx context.Context, a *app.App) error {
		_, err := a.Deciding.Replace(ctx, deciding.ReplaceOrder{Pairs: []deciding.Pair{{Old: "masters/QV-0107/QV-0107_A.wav", New: "masters/QV-0107/QV-0107_A_described.wav"}}})
		return err
	}},
}

// wav writes a second of sound; described has a chunk more, and the same samples.
func (w *world) wav(p, seed string, described bool) {
	w.t.Helper()
	pcm := bytes.Repeat(bytesOf(seed, 4410), 20)
	var extra []byte
	if described {
		extra = []byte("LIST\x14\x00\x00\x00INFOINAM\x08\x00\x00\x00A song \x00")
	}
	var b bytes.Buffer
	for _, v := range []any{[]byte("RIFF"), uint32(36 + len(pcm) + len(extra)), []byte("WAVEfmt "), uint32(16), uint16(1), uint16(1), uint32(44100), uint32(88200), uint16(2), uint16(16)} {
		if err := binary.Write(&b, binary.LittleEndian, v); err != nil {
			w.t.Fatal(err)
		}
	}
	b.Write(extra)
	b.WriteString("data")
	b.Write(binary.LittleEndian.AppendUint32(nil, uint32(len(pcm))))
	b.Write(pcm)
	w.put(p, b.Bytes(), w.now)
}

// manifestWorld is a world in which both stores have manifests.
func manifestWorld(t *testing.T) *world {
	w := newWorld(t, strings.Replace(worldConfig, "own_drive = true\n", "own_drive = true\nmanifests = true\n", 1))
	for _, p := range []string{"masters/QV-0107/QV-0107_A.wav", "masters/QV-0107/QV-0107_B.wav", "masters/QV-0108/QV-0108_A.wav", "access/QV-0107/edited.wav"} {
		w.wav("studio/"+p, strings.TrimSuffix(filepath.Base(p), ".wav"), false)
		w.copy("studio/"+p, "vault/"+p)
	}
	if res := w.intake(); res.Taken != 4 || len(res.Trouble) > 0 {
		t.Fatalf("intake: %+v", res)
	}
	w.audit(acts.AuditOrder{})
	w.now = w.now.Add(time.Hour)
	return w
}

// endingChild is run in a process of its own, and ends at one step: a time that is asked for
// (each transaction does), or something done in a store.
func endingChild(dir string) error {
	at, err := strconv.Atoi(os.Getenv(childAt))
	if err != nil {
		return err
	}
	n := 0
	step := func() {
		if n++; n > at {
			os.Exit(ended)
		}
	}
	cfg, err := config.Load(filepath.Join(dir, "firmus.toml"))
	if err != nil {
		return err
	}
	now := time.Date(2026, 3, 2, 21, 0, 0, 0, time.UTC)
	ctx := context.Background()
	a, err := app.Open(ctx, app.Options{Config: cfg, By: "the test", Now: func() time.Time { return now }})
	if err != nil {
		return err
	}
	defer a.Close()
	root := a.Acts.Root
	a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
		x, err := root(store, set, c)
		return ending{x, step}, err
	}
	a.Acts.Now = func() time.Time { step(); return now }
	for _, x := range actsUnderTest {
		if x.name == os.Getenv(childAct) {
			return x.do(ctx, a)
		}
	}
	return fmt.Errorf("no act %q", os.Getenv(childAct))
}

// ending is a root each of whose operations is a step.
type ending struct {
	stores.Root
	step func()
}

func (r ending) Stat(ctx context.Context, p string) (fixity.Entry, error) {
	r.step()
	return r.Root.Stat(ctx, p)
}

func (r ending) Replace(ctx context.Context, p string, write func(io.Writer) error) error {
	r.step()
	err := r.Root.Replace(ctx, p, func(w io.Writer) error {
		r.step() // the new file is there, and empty
		if err := write(w); err != nil {
			return err
		}
		r.step()
		return nil
	})
	r.step()
	return err
}

func (r ending) ReplaceVerified(ctx context.Context, p string, write func(io.Writer) error, verify func(fixity.Reader) error) error {
	r.step()
	return r.Root.ReplaceVerified(ctx, p, write, verify)
}

// A kill at any step of an act leaves no manifest behind that lacks, or says what is no
// longer so: the next audit makes it up, and coreutils agree.
func TestAKillNeverLeavesAFolderWithoutItsManifest(t *testing.T) {
	t.Parallel()
	if _, err := exec.LookPath("sha256sum"); err != nil {
		t.Skip(err)
	}
	for _, x := range actsUnderTest {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			ready := manifestWorld(t)
			x.before(ready)
			owing := 0
			for at, stride := 0, 1; ; at += stride {
				w := &world{t: t, dir: t.TempDir(), now: ready.now}
				if err := os.CopyFS(w.dir, os.DirFS(ready.dir)); err != nil {
					t.Fatal(err)
				}
				w.sameTimes(ready)
				cmd := exec.Command(os.Args[0])
				cmd.Env = append(os.Environ(), childAct+"="+x.name, childAt+"="+strconv.Itoa(at), childDir+"="+w.dir)
				out, err := cmd.CombinedOutput()
				status := cmd.ProcessState.ExitCode()
				if status != 0 && status != ended {
					t.Fatalf("step %d: %v\n%s", at, err, out)
				}
				if w.unlike() != "" {
					owing++
				}
				w.now = w.now.Add(time.Hour)
				for _, r := range w.audit(acts.AuditOrder{}) {
					if len(r.Trouble) > 0 {
						t.Errorf("step %d: %s: %v", at, r.Store, r.Trouble)
					}
				}
				bad := w.unlike()
				if bad != "" && w.again(x.do) == nil { // it had not happened: its person does it again
					bad = w.unlike()
				}
				if bad != "" {
					t.Errorf("stopped at step %d, then audited:\n%s", at, bad)
				}
				if left := w.leftovers(); len(left) > 0 {
					t.Errorf("stopped at step %d, then audited: left %q", at, left)
				}
				if status == 0 {
					if owing < 1 {
						t.Errorf("only %d of %d kills left a manifest that was owed", owing, at)
					}
					break
				}
				if os.Getenv("FIRMUS_ALL_PARTS") != "1" {
					stride = 4
				}
			}
		})
	}
}

// again orders an act once more.
func (w *world) again(do func(context.Context, *app.App) error) error {
	a := w.open()
	defer a.Close()
	return do(context.Background(), a)
}

// sameTimes gives files the times of those that they are copies of.
func (w *world) sameTimes(as *world) {
	w.t.Helper()
	if err := filepath.WalkDir(w.dir, func(p string, d fs.DirEntry, err error) error {
		if err != nil || d.IsDir() {
			return err
		}
		rel, err := filepath.Rel(w.dir, p)
		if err != nil {
			return err
		}
		st, err := os.Stat(filepath.Join(as.dir, rel))
		if err != nil {
			return err
		}
		return os.Chtimes(p, st.ModTime(), st.ModTime())
	}); err != nil {
		w.t.Fatal(err)
	}
}

// unlike says what is wrong with the stores' manifests: sha256sum's own words, folders
// without one, and files under care that theirs doesn't list.
func (w *world) unlike() string {
	w.t.Helper()
	var bad strings.Builder
	expected := w.expected()
	for _, set := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
		folders, err := os.ReadDir(w.path(set))
		if err != nil {
			w.t.Fatal(err)
		}
		for _, f := range folders {
			dir := w.path(set + "/" + f.Name())
			if !f.IsDir() || strings.HasPrefix(f.Name(), ".") {
				continue
			}
			sounds, err := filepath.Glob(filepath.Join(dir, "*.wav"))
			if err != nil {
				w.t.Fatal(err)
			}
			if len(sounds) == 0 {
				continue
			}
			text, err := os.ReadFile(filepath.Join(dir, "manifest-sha256.txt"))
			if err != nil {
				fmt.Fprintf(&bad, "%s: %v\n", dir, err)
				continue
			}
			cmd := exec.Command("sha256sum", "-c", "--quiet", "manifest-sha256.txt")
			cmd.Dir = dir
			out, err := cmd.CombinedOutput()
			// In the vault a save and a rename are followed by a person.
			if err != nil && strings.HasPrefix(set, "studio") {
				fmt.Fprintf(&bad, "%s: %s\n", dir, out)
			}
			for _, s := range sounds {
				if listed := bytes.Contains(text, []byte("  "+filepath.Base(s)+"\n")); listed != expected(s) {
					fmt.Fprintf(&bad, "%s: listed %t, expected there %t\n", s, listed, !listed)
				}
			}
		}
	}
	return bad.String()
}

// expected says of a sound whether a copy should lie there, by what the ledger holds now.
func (w *world) expected() func(sound string) bool {
	w.t.Helper()
	known := map[string]bool{} // store/set/path
	w.view(func(t *ledger.Tx) error {
		for _, at := range []string{"studio/masters", "studio/access", "vault/masters", "vault/access"} {
			sounds, err := filepath.Glob(w.path(at + "/*/*.wav"))
			if err != nil {
				return err
			}
			for _, s := range sounds {
				parts := strings.SplitN(w.below(s), "/", 3)
				_, err := t.Copies.At(parts[0], parts[1], parts[2])
				if err != nil && !errors.Is(err, fixity.ErrNotFound) {
					return err
				}
				known[w.below(s)] = err == nil
			}
		}
		return nil
	})
	return func(sound string) bool { return known[w.below(sound)] }
}

// below is a path below the world's folder, with slashes.
func (w *world) below(p string) string {
	w.t.Helper()
	rel, err := filepath.Rel(w.dir, p)
	if err != nil {
		w.t.Fatal(err)
	}
	return filepath.ToSlash(rel)
}

// leftovers are names of ours that nothing needs any more.
func (w *world) leftovers() (out []string) {
	w.t.Helper()
	if err := filepath.WalkDir(w.dir, func(p string, d fs.DirEntry, err error) error {
		for _, prefix := range []string{".firmus-new-", ".firmus-backup-", ".firmus-discs-", ".firmus-key-"} {
			if err == nil && strings.HasPrefix(d.Name(), prefix) {
				out = append(out, p)
			}
		}
		return err
	}); err != nil {
		w.t.Fatal(err)
	}
	return out
}

// One folder that can't be written never stops the others: it is said, and written when
// it can be.
func TestOneFolderNeverStopsTheManifestsOfOthers(t *testing.T) {
	t.Parallel()
	for _, x := range []struct {
		name     string
		obstruct func(t *testing.T, path string)
		said     string
		warned   bool // it is left, and ours lies in the state folder: nothing is owed
	}{
		{"a link", func(t *testing.T, p string) { must(t, os.Symlink("QV-0200_A.wav", p)) }, "is no file of bytes; take it away", false},
		{"a folder", func(t *testing.T, p string) { must(t, os.Mkdir(p, 0o755)) }, "no regular file", false},
		{"300 MB", func(t *testing.T, p string) {
			must(t, os.WriteFile(p, []byte("x"), 0o644))
			must(t, os.Truncate(p, 300<<20))
		}, "314,572,800 bytes", true},
	} {
		t.Run(x.name, func(t *testing.T) {
			t.Parallel()
			w := manifestWorld(t)
			for _, item := range []string{"QV-0199", "QV-0200", "QV-0201"} {
				w.wav(fmt.Sprintf("studio/masters/%s/%s_A.wav", item, item), item, false)
			}
			path := w.path("studio/masters/QV-0200/manifest-sha256.txt")
			x.obstruct(t, path)
			res := w.intake()
			if res.Taken != 3 || res.Manifests < 2 {
				t.Errorf("intake: %+v", res)
			}
			for _, item := range []string{"QV-0199", "QV-0201"} {
				if _, err := os.Stat(w.path("studio/masters/" + item + "/manifest-sha256.txt")); err != nil {
					t.Error(err)
				}
			}
			said, exit := res.Trouble, 3
			if x.warned {
				said, exit = res.Warnings, 0
			}
			if res.Exit() != exit || !strings.Contains(strings.Join(said, "\n"), x.said) {
				t.Errorf("exit %d, said %q", res.Exit(), said)
			}
			must(t, os.RemoveAll(path))
			rs := w.audit(acts.AuditOrder{Stores: []string{"studio"}})
			if len(rs["studio"].Trouble) > 0 {
				t.Errorf("then: %q", rs["studio"].Trouble)
			}
			if bad := w.unlike(); bad != "" {
				t.Error(bad)
			}
		})
	}
}

// What can't be written to is said by each audit and written once it can be; a finding
// is none of it.
func TestAReadOnlyFolderIsNeverForgotten(t *testing.T) {
	t.Parallel()
	w := manifestWorld(t)
	w.wav("studio/masters/QV-0200/QV-0200_A.wav", "new", false)
	w.wav("studio/masters/QV-0201/QV-0201_A.wav", "newer", false)
	a := w.open()
	root := a.Acts.Root
	closed := true
	a.Acts.Root = func(store, set string, c fixity.Cache) (stores.Root, error) {
		x, err := root(store, set, c)
		return readOnly{x, "QV-0200/", &closed}, err
	}
	defer a.Close()
	res, err := a.Receiving.Intake(context.Background(), receiving.IntakeOrder{})
	if err != nil || res.Exit() != 3 || res.Manifests != 1 || len(res.Trouble) != 1 || !strings.Contains(res.Trouble[0], "masters/QV-0200 in studio could not be written; the next intake or audit tries again") {
		t.Fatalf("%+v, %v", res, err)
	}
	for i := range 3 {
		closed = i < 2
		rs, err := a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"studio"}})
		if err != nil || closed != (len(rs[0].Trouble) == 1) || closed != (rs[0].Exit() == 3) || len(rs[0].Findings) > 0 {
			t.Errorf("audit %d: %+v, %v", i, rs, err)
		}
		// What is asked about another folder isn't answered with this one.
		rs, err = a.Acts.Audit(context.Background(), acts.AuditOrder{Stores: []string{"studio"}, Set: "masters", Under: "QV-0201"})
		if err != nil || rs[0].Exit() != 0 {
			t.Errorf("audit %d below another folder: %+v, %v", i, rs, err)
		}
	}
	if bad := w.unlike(); bad != "" {
		t.Error(bad)
	}
}

type readOnly struct {
	stores.Root
	below  string
	closed *bool
}

func (r readOnly) Replace(ctx context.Context, p string, write func(io.Writer) error) error {
	if *r.closed && strings.HasPrefix(p, r.below) {
		return fmt.Errorf("replace %q: %w", p, fixity.ErrDenied)
	}
	return r.Root.Replace(ctx, p, write)
}

// A manifest that somebody deleted comes back, and that is said; a folder that is gone
// isn't made for it.
func TestADeletedManifestIsNeverLacking(t *testing.T) {
	t.Parallel()
	w := manifestWorld(t)
	w.remove("studio/masters/QV-0107/manifest-sha256.txt")
	w.remove("studio/masters/QV-0108")
	rs := w.audit(acts.AuditOrder{Stores: []string{"studio"}})
	want := "manifest of masters/QV-0107 in studio was gone, and was written anew"
	if !slices.Contains(rs["studio"].Warnings, want) || len(rs["studio"].Warnings) != 1 {
		t.Errorf("said %q, want %q", rs["studio"].Warnings, want)
	}
	if bad := w.unlike(); bad != "" {
		t.Error(bad)
	}
	if _, err := os.Stat(w.path("studio/masters/QV-0108")); !errors.Is(err, fs.ErrNotExist) {
		t.Errorf("the folder that is missing was made: %v", err)
	}
	if rs := w.audit(acts.AuditOrder{Stores: []string{"studio"}}); len(rs["studio"].Warnings) > 0 {
		t.Errorf("said again: %q", rs["studio"].Warnings)
	}
}

// Only files of ours, of just our names, are cleared away.
func TestClearingAwayNeverTakesAPersonsFile(t *testing.T) {
	t.Parallel()
	w := manifestWorld(t)
	keep := []string{
		"studio/masters/QV-0107/.firmus-new-notes.txt", "studio/masters/QV-0107/.firmus-new-0123456789abcdef-ABCDEFGHIJ.wav",
		"studio/masters/QV-0107/x.firmus-new-0123456789abcdef-ABCDEFGHIJ", "studio/masters/.firmus-new-0123456789abcdef-ABCDEFGHIJ/inside",
		"state/.firmus-backup-notes.txt", "state/backup", "elsewhere/.firmus-new-0123456789abcdef-ABCDEFGHIJ",
	}
	gone := []string{
		"studio/masters/.firmus-new-0123456789abcdef-ABCDEFGHI7", "studio/masters/QV-0107/deep/.firmus-new-0123456789abcdef-ABCDEFGHIJ",
		"vault/masters/QV-0107/.firmus-new-0123456789abcdef-ABCDEFGHIJ", "state/.firmus-backup-123/ledger.db",
	}
	for _, p := range slices.Concat(keep, gone) {
		w.put(p, []byte("x"), w.now)
	}
	must(t, os.Symlink(w.path("elsewhere"), w.path("studio/masters/way out")))
	w.audit(acts.AuditOrder{})
	for _, p := range keep {
		if _, err := os.Stat(w.path(p)); err != nil {
			t.Errorf("a person's file: %v", err)
		}
	}
	for _, p := range gone {
		if _, err := os.Stat(w.path(p)); !errors.Is(err, fs.ErrNotExist) {
			t.Errorf("%s is still there: %v", p, err)
		}
	}
}

func must(t *testing.T, err error) {
	t.Helper()
	if err != nil {
		t.Fatal(err)
	}
}
