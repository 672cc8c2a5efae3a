package ledger_test

import (
	"errors"
	"slices"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/fixity/care"
	"firmus/fixity/ledger"
)

func (w *world) signOffPlace(f ledger.File, store string) {
	w.Helper()
	fd := w.finding(f, store)
	w.tx(func(x *ledger.Tx) error { return x.Findings.SignOffPlace(fd, 30*day, "Ada Wren", "a better name") })
}

func TestARenameIsFollowed(t *testing.T) {
	t.Parallel()
	const to = "QV-0107/QV-0107_side_A.wav"
	for _, c := range []struct {
		name   string
		follow func(w *world)
	}{
		{"by moving", func(w *world) { w.move("vault", masters, side, to) }},
		{"by moving and touching", func(w *world) {
			w.remove("vault", masters, side)
			w.pass(time.Hour)
			w.put("vault", masters, to, "one")
		}},
		{"by copying", func(w *world) { w.put("vault", masters, to, "one") }},
	} {
		t.Run(c.name, func(t *testing.T) {
			inWorld(t, func(w *world) {
				f := w.take(masters, side, "one", true, "studio", "vault")
				w.move("studio", masters, side, to)
				w.audit("studio", order{})
				w.signOffPlace(f, "studio")
				w.isIn(f, "studio", fixity.Intact)
				w.isIn(f, "vault", fixity.Behind)
				w.audit("vault", order{full: true})
				w.isIn(f, "vault", fixity.Behind)
				w.quiet(f, "vault")
				if got := w.copyOf(f, "attic"); got.At != to || got.State != fixity.Awaited {
					w.Errorf("in the attic: %+v", got)
				}
				c.follow(w)
				w.audit("vault", order{})
				if got := w.copyOf(f, "vault"); got.State != fixity.Intact || got.At != to {
					w.Errorf("in the vault: %s at %s", got.State, got.At)
				}
				w.quiet(f, "vault")
			})
		})
	}
}

// strays are the open findings about what lies in a store under no one's care, by path.
func (w *world) strays(store string) map[string]ledger.Finding {
	w.Helper()
	out := map[string]ledger.Finding{}
	w.view(func(x *ledger.Tx) error {
		all, err := x.Findings.Open(store)
		for _, f := range all {
			if f.Subject == fixity.OfStray {
				out[f.Path] = f
			}
		}
		return err
	})
	return out
}

// Who follows a rename by copying is told of what is left while nothing of it may be needed,
// and only once the store's promise to follow is over.
func TestWhatARenameLeaves(t *testing.T) {
	t.Parallel()
	const second, third = "QV-0107/QV-0107_side_A.wav", "QV-0107/A.wav"
	rename := func(w *world, f ledger.File, from, to string) {
		w.Helper()
		w.move("studio", f.Set, from, to)
		w.audit("studio", order{})
		w.signOffPlace(f, "studio")
	}
	told := func(w *world, want care.Step, paths ...string) {
		w.Helper()
		w.audit("vault", order{})
		got := w.strays("vault")
		for _, p := range paths {
			if f := got[p]; f.ID == 0 || f.Step != want || f.Facts.Tells(fixity.BytesOf) != (p != second && p != third) {
				w.Errorf("told of %s: %q, %+v; want step %q", p, f.Step, f.Facts.Seen, want)
			}
		}
		if len(got) != len(paths) {
			w.Errorf("told of %v, want %v", got, paths)
		}
	}
	for _, set := range []string{masters, access} {
		for _, c := range []struct {
			name string
			do   func(w *world, f ledger.File)
		}{
			{"the old one stays for long", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.put("vault", set, second, "one")
				told(w, "")
				w.isIn(f, "vault", fixity.Intact)
				w.pass(3 * day)
				told(w, "")
				w.pass(time.Hour)
				told(w, care.StepTakeOut, side)
				w.remove("vault", set, side)
				told(w, "")
			}},
			{"nobody follows", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.pass(4 * day)
				told(w, "")
				if fd := w.found(f, "vault", fixity.Behind, fixity.Tidy); fd.Step != care.StepMoveBack || fd.FoundAt != side {
					w.Errorf("found at %q, step %q", fd.FoundAt, fd.Step)
				}
				w.move("vault", set, side, second)
				told(w, "")
				w.quiet(f, "vault")
			}},
			{"renamed twice", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.put("vault", set, second, "one")
				told(w, "")
				w.view(func(x *ledger.Tx) (err error) { f, err = x.Files.Get(f.ID); return err })
				rename(w, f, second, third)
				w.put("vault", set, third, "one")
				told(w, "")
				if got := w.copyOf(f, "vault"); got.State != fixity.Intact || got.At != third {
					w.Errorf("%s at %s", got.State, got.At)
				}
			}},
			{"the new one is another thing", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.put("vault", set, second, "won")
				told(w, care.StepTakeOut, second)
				if got := w.copyOf(f, "vault"); got.State != fixity.Behind || got.At != side {
					w.Errorf("the good copy: %s at %s", got.State, got.At)
				}
				w.quiet(f, "vault")
				w.pass(time.Hour)
				w.put("vault", set, second, "one")
				told(w, "")
				w.isIn(f, "vault", fixity.Intact)
			}},
			{"the new one can't be read", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.put("vault", set, second, "one")
				w.fails("vault", set, second, fixity.ReadUnreadable)
				told(w, "")
				if got := w.copyOf(f, "vault"); got.State != fixity.Behind || got.At != side {
					w.Errorf("the good copy: %s at %s", got.State, got.At)
				}
				w.fails("vault", set, second, "")
				told(w, "")
				w.isIn(f, "vault", fixity.Intact)
			}},
			{"the new one rots", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.put("vault", set, second, "one")
				told(w, "")
				w.rot("vault", set, second, "rot")
				w.audit("vault", order{full: true})
				w.isIn(f, "vault", fixity.Altered)
				told(w, care.StepNone, side)
			}},
			{"the old one had rotted", func(w *world, f ledger.File) {
				w.rot("vault", set, side, "rot")
				w.audit("vault", order{full: true})
				w.isIn(f, "vault", fixity.Altered)
				rename(w, f, side, second)
				w.put("vault", set, second, "one")
				w.audit("vault", order{})
				w.isIn(f, "vault", fixity.Intact)
				w.quiet(f, "vault")
				w.audit("vault", order{})
				if x := w.strays("vault")[side]; x.Step != care.StepTakeOut || x.Facts.Tells(fixity.BytesOf) {
					w.Errorf("told of what had rotted: %+v", x)
				}
			}},
			{"a new version under the new name", func(w *world, f ledger.File) {
				rename(w, f, side, second)
				w.put("studio", set, second, "one, cleaned")
				w.pass(4 * day) // an editing window
				w.audit("studio", order{})
				if fd := w.finding(f, "studio"); fd.ID != 0 {
					v := bytesOf("one, cleaned")
					w.tx(func(x *ledger.Tx) error {
						_, err := x.Findings.SignOffVersion(fd, v, fixity.Entry{Path: second, Size: v.Size, ModTime: w.holds["studio"][set][second].mtime},
							fixity.Evidence{Strength: fixity.Read, At: w.clock, OK: true, Cache: fixity.Bypassed}, 30*day, "Ada Wren", "cleaned")
						return err
					})
				}
				w.put("vault", set, second, "one, cleaned")
				told(w, "")
				if got := w.copyOf(f, "vault"); got.State != fixity.Intact || got.At != second || got.Held != 2 {
					w.Errorf("%s at %s holds version %d", got.State, got.At, got.Held)
				}
			}},
			{"an earlier version under the new name", func(w *world, f ledger.File) {
				v := bytesOf("one, cleaned")
				w.put("studio", set, side, "one, cleaned")
				w.tx(func(x *ledger.Tx) error {
					_, err := x.Files.NewVersion(f.ID, v, true, "studio")
					return err
				})
				w.put("vault", set, side, "one, cleaned")
				w.audit("studio", order{})
				w.audit("vault", order{})
				w.isIn(f, "vault", fixity.Intact)
				rename(w, f, side, second)
				w.put("vault", set, second, "one")
				told(w, "")
				if got := w.copyOf(f, "vault"); got.State != fixity.Behind || got.At != side || got.Held != 2 {
					w.Errorf("the newest version: %s at %s holds version %d", got.State, got.At, got.Held)
				}
			}},
		} {
			t.Run(c.name+" ("+set+")", func(t *testing.T) {
				t.Parallel()
				inWorld(t, func(w *world) {
					f := w.take(set, side, "one", true, "studio", "vault")
					c.do(w, f)
					sound(w.T, w.l)
				})
			})
		}
	}
}

// What comes under care while its store isn't there is no stray any more, and nobody goes on
// telling of it until that is listed again.
func TestAStrayThatIsTakenInEnds(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		w.put("vault", masters, side, "one")
		w.put("vault", masters, "QV-0107/another.wav", "two")
		w.audit("vault", order{})
		if got := w.strays("vault"); len(got) != 2 {
			w.Fatalf("told of %v", got)
		}
		w.take(masters, side, "one", true, "studio")
		if got := w.strays("vault"); len(got) != 1 || got["QV-0107/another.wav"].ID == 0 {
			w.Errorf("told of %v", got)
		}
		sound(w.T, w.l)
	})
}

func TestAPlaceThatAnotherFileTakes(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		const to = "QV-0107/QV-0107_B.wav"
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.move("studio", masters, side, to)
		w.audit("studio", order{})
		w.signOffPlace(f, "studio")
		// The vault still holds the file at its old place, where a new one arrives.
		g := w.take(masters, side, "two", true, "studio")
		if got := w.copyOf(f, "vault"); got.State != fixity.Awaited || got.At != to || got.Size != -1 {
			w.Errorf("the file that was renamed: %+v", got)
		}
		if got := w.copyOf(g, "vault"); got.State != fixity.Awaited || got.At != side {
			w.Errorf("the new file: %+v", got)
		}
		sound(w.T, w.l)
		w.audit("vault", order{})
		w.isIn(g, "vault", fixity.Disputed) // the other's bytes
		w.put("vault", masters, to, "one")
		w.put("vault", masters, side, "two")
		w.audit("vault", order{})
		w.isIn(f, "vault", fixity.Intact)
		w.isIn(g, "vault", fixity.Intact)
	})
}

func TestPlacesThatAreRefused(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.move("studio", masters, side, "QV-0107/elsewhere.wav")
		w.audit("studio", order{})
		fd := w.found(f, "studio", fixity.Misplaced, fixity.Tidy)
		before := w.everything()
		refused := func(what string, fn func(x *ledger.Tx) error) {
			w.Helper()
			if err := w.l.Tx(w.Context(), w.clock, fn); !errors.Is(err, fixity.ErrRefused) {
				w.Errorf("%s: %v", what, err)
			}
			if after := w.everything(); after != before {
				w.Errorf("%s: something was written", what)
			}
		}
		refused("it has gone again", func(x *ledger.Tx) error {
			if err := x.Strays.Drop("studio", masters, "QV-0107/elsewhere.wav"); err != nil {
				return err
			}
			return x.Findings.SignOffPlace(fd, day, "Ada Wren", "better")
		})
		refused("other bytes than the finding tells of", func(x *ledger.Tx) error {
			_, err := x.Findings.SignOffVersion(fd, bytesOf("other"), fixity.Entry{}, fixity.Evidence{}, day, "Ada Wren", "better")
			return err
		})
		w.take(masters, "QV-0107/elsewhere.wav", "two", true, "studio")
		before = w.everything()
		refused("another file's place", func(x *ledger.Tx) error { return x.Findings.SignOffPlace(fd, day, "Ada Wren", "better") })
	})
}

func TestARetiredFileIsExpectedNowhereAndReportedNowhere(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault")
		w.move("vault", masters, side, "QV-0107/elsewhere.wav")
		w.audit("vault", order{})
		open := w.found(f, "vault", fixity.Misplaced, fixity.Tidy)
		w.remove("studio", masters, side)
		w.audit("studio", order{})
		gone := w.found(f, "studio", fixity.Missing, fixity.AtRisk)
		w.tx(func(x *ledger.Tx) error { return x.Findings.SignOffAbsence(gone, "Ada Wren", "not ours") })
		if a, b := w.settledAs(gone.ID), w.settledAs(open.ID); a != fixity.SignedOff || b != fixity.Overtaken {
			w.Errorf("the findings ended %q and %q", a, b)
		}
		for range 2 {
			w.audit("vault", order{})
			w.audit("studio", order{})
			w.view(func(x *ledger.Tx) error {
				all, err := x.Findings.Open("")
				if len(all) > 0 {
					w.Errorf("reported: %+v", all)
				}
				return err
			})
		}
		w.view(func(x *ledger.Tx) error {
			copies, err := x.Copies.Of(f.ID)
			if len(copies) > 0 {
				w.Errorf("still expected: %+v", copies)
			}
			return err
		})
		// The place is free for another file.
		w.take(masters, side, "two", true, "studio")
	})
}

func TestSignedOffVersions(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		f := w.take(masters, side, "one", true, "studio", "vault", "attic")
		w.put("studio", masters, side, "one, cleaned")
		w.put("attic", masters, side, "one, cleaned")
		w.audit("studio", order{})
		w.audit("attic", order{})
		fd := w.found(f, "studio", fixity.Altered, fixity.AtRisk)
		other := w.found(f, "attic", fixity.Altered, fixity.AtRisk)
		v := bytesOf("one, cleaned")
		w.pass(time.Hour)
		w.tx(func(x *ledger.Tx) error {
			n, err := x.Findings.SignOffVersion(fd, v, fixity.Entry{Path: side, Size: v.Size, ModTime: w.holds["studio"][masters][side].mtime},
				fixity.Evidence{Strength: fixity.Read, At: w.clock, OK: true, Cache: fixity.Bypassed}, 30*day, "Ada Wren", "cleaned")
			if n != 2 {
				w.Errorf("version %d", n)
			}
			return err
		})
		w.isIn(f, "studio", fixity.Intact)
		w.isIn(f, "attic", fixity.Intact) // with the new bytes at once
		w.isIn(f, "vault", fixity.Behind) // with the old ones: never altered
		if s := w.settledAs(other.ID); s != fixity.IntactAgain {
			w.Errorf("the other finding ended %q", s)
		}
		w.audit("vault", order{full: true})
		w.isIn(f, "vault", fixity.Behind)
		w.quiet(f, "vault")
		var digests []fixity.Digest
		w.view(func(x *ledger.Tx) (err error) {
			digests, err = x.Manifests.KnownDigests("studio", masters, side)
			return err
		})
		if !slices.Equal(digests, []fixity.Digest{bytesOf("one").SHA256, v.SHA256}) {
			w.Errorf("digests: %v", digests)
		}
	})
}

// Names are the medium's own bytes, and messages carry them.
func TestNamesThatAreNoText(t *testing.T) {
	t.Parallel()
	inWorld(t, func(w *world) {
		names := []string{"QV-0107/\xff\xfe.wav", "QV-0107/new\nline", "QV-0107/\u00e9 and e\u0301", "QV-0107/%", "QV-0107/'\"\\", "\xff/x", "QV-0107/" + string(rune(0x10ffff)), "QV-0107/ "}
		var files []ledger.File
		for i, p := range names {
			files = append(files, w.take(masters, p, string(rune('a'+i)), true, "studio", "vault"))
		}
		for _, f := range files {
			w.rot("vault", masters, f.Path, "rot of "+f.Path)
		}
		w.put("vault", masters, "QV-0107/\xffstray", "x")
		a := w.audit("vault", order{full: true})
		for _, f := range files {
			w.found(f, "vault", fixity.Altered, fixity.AtRisk)
			w.view(func(x *ledger.Tx) error {
				if g, err := x.Files.At(masters, f.Path); err != nil || g.ID != f.ID {
					w.Errorf("%q: %+v, %v", f.Path, g, err)
				}
				return nil
			})
		}
		_ = a
		_, jobs := w.shardsOf("studio", fixity.PhaseRead)
		s := w.claim(jobs[0])
		if err := w.record().CommitReadings(w.Context(), fixity.Readings{Shard: s, End: true, Done: true, Trouble: "open \xff\x00: not allowed"}); err != nil {
			w.Fatal(err)
		}
	})
}
