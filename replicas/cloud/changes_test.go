package cloud_test

import (
	"context"
	"fmt"
	"slices"
	"testing"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"

	"github.com/google/go-cmp/cmp"
)

func TestChangesWarn(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		ctx := context.Background()
		a := cloudtest.NewArchive(t, shared, nil)
		id := func(name string) string { return a.Put(a.Masters, "QV-0107/"+name, []byte(name)) }
		written, renamed, binned, deleted, moved, out := id("written.wav"), id("renamed.wav"), id("binned.wav"), id("deleted.wav"), id("moved.wav"), id("out.wav")
		elsewhere := a.AddFolder(a.Parent(a.Folder), "not ours")
		first, err := a.Store.Changes(ctx, "")
		check(t, err)
		if len(first.List) != 0 || first.Token == "" {
			t.Fatalf("%+v", first)
		}
		a.Reset()
		same, err := a.Store.Changes(ctx, first.Token)
		if err != nil || len(same.List) != 0 || a.Count("") != 1 {
			t.Errorf("nothing happened: %+v, %v, %d calls", same, err, a.Count(""))
		}
		a.Write(written, []byte("x"))
		a.Rename(renamed, "new name.wav")
		a.Bin(binned, true)
		a.Delete(deleted)
		a.Move(moved, a.Access)
		a.Move(out, elsewhere)
		a.AddFile(elsewhere, "outside.wav", []byte("x"))
		a.AddFile(a.Find(a.Masters, "QV-0107"), "added.wav", []byte("x"))
		a.Put(a.Masters, ".firmus-store.vault", []byte("x"))
		then, err := a.Store.Changes(ctx, first.Token)
		check(t, err)
		var got []string
		for _, w := range then.List {
			got = append(got, fmt.Sprintf("%s: %s %s", w.Set, w.Path, w.What))
		}
		slices.Sort(got)
		want := []string{
			"masters: QV-0107/added.wav added",
			"masters: QV-0107/binned.wav in the bin",
			"masters: QV-0107/deleted.wav removed",
			"masters: QV-0107/moved.wav moved",
			"masters: QV-0107/out.wav removed",
			"masters: QV-0107/renamed.wav moved",
			"masters: QV-0107/written.wav changed",
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
		now, err := paths(t, a.Store.Set("masters", nil))
		if err != nil || !slices.Contains(now, "QV-0107/added.wav") || slices.Contains(now, "QV-0107/binned.wav") {
			t.Errorf("listed after a warning: %v, %v", now, err)
		}
		after, err := a.Store.Changes(ctx, then.Token)
		if err != nil || len(after.List) != 0 {
			t.Errorf("%+v, %v", after, err)
		}
	})
}

// TestChangesWithABadToken: the log is begun anew with a full listing.
func TestChangesWithABadToken(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.Put(a.Masters, "a.wav", []byte("a"))
	w, err := a.Store.Changes(context.Background(), "not a token")
	if err != nil || !w.Unsure || len(w.List) != 0 || w.Token == "" {
		t.Fatalf("%+v, %v", w, err)
	}
	a.Reset()
	if w, err = a.Store.Changes(context.Background(), w.Token); err != nil || w.Unsure || len(w.List) != 0 || a.Count("") != 1 {
		t.Errorf("%+v, %v, %d calls", w, err, a.Count(""))
	}
}

// TestChangesAfterARestart: without a listing from before, nothing is listed for the
// log's sake; changed files are told by their ids, and that there may be more.
func TestChangesAfterARestart(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		ctx := context.Background()
		a := cloudtest.NewArchive(t, shared, nil)
		id, gone := a.Put(a.Masters, "QV-0107/a.wav", []byte("a")), a.Put(a.Masters, "QV-0107/b.wav", []byte("b"))
		first, err := a.Store.Changes(ctx, "")
		check(t, err)
		again, err := cloud.New(cloudtest.Drive(t, a.Server), cloud.Options{Folder: a.Folder, Now: a.Clock.Now})
		check(t, err)
		a.Reset()
		w, err := again.Changes(ctx, first.Token)
		if err != nil || w.Unsure || len(w.List) != 0 || a.Count("drive.files.list") != 0 {
			t.Errorf("nothing happened: %+v, %v, %d listings", w, err, a.Count("drive.files.list"))
		}
		a.Write(id, []byte("x"))
		a.Delete(gone)
		if w, err = again.Changes(ctx, w.Token); err != nil || !w.Unsure || len(w.List) != 1 || w.List[0].ID != id || w.List[0].Set != "" {
			t.Errorf("%+v, %v", w, err)
		}
	})
}

func TestConfirm(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		ctx := context.Background()
		a := cloudtest.NewArchive(t, shared, nil)
		f := a.Store.Set("masters", nil)
		var lost []cloud.Lost
		ids := map[string]string{}
		for _, name := range []string{"there", "binned", "with its folder", "renamed", "other set", "outside", "deleted"} {
			path := "QV-0107/" + name + ".wav"
			if name == "with its folder" {
				path = "QV-0108/" + name + ".wav"
			}
			ids[name] = a.Put(a.Masters, path, []byte(name))
			lost = append(lost, cloud.Lost{Path: path})
		}
		lost = append(lost, cloud.Lost{Path: "QV-0107/never seen.wav"})
		_, err := paths(t, f)
		check(t, err)
		a.Bin(ids["binned"], true)
		a.Bin(a.Find(a.Masters, "QV-0108"), true)
		a.Rename(ids["renamed"], "new.wav")
		a.Move(ids["other set"], a.Access)
		a.Move(ids["outside"], a.Parent(a.Folder))
		a.Delete(ids["deleted"])
		_, err = paths(t, f)
		check(t, err)
		found, err := f.Confirm(ctx, lost)
		check(t, err)
		var got []string
		for _, x := range found {
			got = append(got, fmt.Sprintf("%s: %s %s", x.Path, x.Fate, x.Where))
			if len(x.Seen) == 0 {
				t.Errorf("%s: nothing is said", x.Path)
			}
		}
		want := []string{
			"QV-0107/there.wav: there ",
			"QV-0107/binned.wav: in the bin ",
			"QV-0108/with its folder.wav: in the bin ",
			"QV-0107/renamed.wav: moved QV-0107/new.wav",
			"QV-0107/other set.wav: moved ",
			"QV-0107/outside.wav: moved ",
			"QV-0107/deleted.wav: not visible ",
			"QV-0107/never seen.wav: not shown ",
		}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
	})
}

// TestConfirmFindsAListingThatLies: a caller that kept the ids needs no earlier
// listing of this Store.
func TestConfirmFindsAListingThatLies(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	x := a.Put(a.Masters, "x.wav", []byte("x"))
	y := a.Put(a.Masters, "y.wav", []byte("y"))
	a.Omit(x, true)
	f := a.Store.Set("masters", nil)
	_, err := f.Confirm(context.Background(), []cloud.Lost{{Path: "x.wav", ID: x}})
	is(t, err, fixity.ErrIncomplete)
	a.Delete(y)
	found, err := f.Confirm(context.Background(), []cloud.Lost{{Path: "y.wav", ID: y}})
	if err != nil || found[0].Fate != cloud.IsGone {
		t.Errorf("%+v, %v", found, err)
	}
}

// TestConfirmAsksForSoManyOnly by their ids; two listings say the rest.
func TestConfirmAsksForSoManyOnly(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	var lost []cloud.Lost
	for i := range 300 {
		path := fmt.Sprintf("%03d.wav", i)
		lost = append(lost, cloud.Lost{Path: path, ID: a.AddFile(a.Masters, path, nil)})
	}
	for _, l := range lost {
		a.Delete(l.ID)
	}
	a.Reset()
	found, err := a.Store.Set("masters", nil).Confirm(context.Background(), lost)
	check(t, err)
	n := map[cloud.Fate]int{}
	for _, x := range found {
		n[x.Fate]++
	}
	if n[cloud.IsGone] != 200 || n[cloud.NotShown] != 100 {
		t.Errorf("%v", n)
	}
	if c := a.Count(getCall); c != 202 {
		t.Errorf("%d calls", c)
	}
}
