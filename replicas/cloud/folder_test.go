package cloud_test

import (
	"context"
	"errors"
	"fmt"
	"io"
	"path"
	"slices"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/replicatest"

	"github.com/google/go-cmp/cmp"
)

// TestNames: things whose names no disk would take, and things of one name, are
// each there once, and can be read.
func TestNames(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	dir := a.AddFolder(a.Masters, "QV-0107")
	twin := a.AddFolder(a.Masters, "QV-0107")
	ids := map[string]string{ // path -> id
		"QV-0107/good.wav": a.AddFile(dir, "good.wav", []byte("good")),
	}
	add := func(in, name, want string) {
		id := a.AddFile(in, name, []byte(name+in))
		ids[strings.ReplaceAll(want, "ID", id)] = id
	}
	add(dir, "good.wav", "QV-0107/good.wav [id:ID]")
	add(twin, "other.wav", "QV-0107 [id:"+twin+"]/other.wav")
	add(dir, "a/b.wav", "QV-0107/a%2Fb.wav [id:ID]")
	add(dir, "a%2Fb.wav", "QV-0107/a%2Fb.wav")
	add(dir, "../../etc/passwd", "QV-0107/..%2F..%2Fetc%2Fpasswd [id:ID]")
	add(dir, "..", "QV-0107/%2E%2E [id:ID]")
	add(dir, ".", "QV-0107/%2E [id:ID]")
	add(dir, "", "QV-0107/ [id:ID]")
	add(dir, "zero\x00byte", "QV-0107/zero%00byte [id:ID]")
	add(dir, "bell\a and\nline", "QV-0107/bell\a and\nline")
	add(dir, strings.Repeat("long", 150), "QV-0107/"+strings.Repeat("long", 150))
	f := a.Store.Set("masters", nil)
	all, err := replicatest.All(t, f)
	check(t, err)
	var got []string
	for _, e := range all {
		got = append(got, e.Path)
		if path.Clean("/"+e.Path) != "/"+e.Path {
			t.Errorf("%q is not a plain path", e.Path)
		}
		r, err := f.Open(context.Background(), e, 0)
		check(t, err)
		if _, err := io.ReadAll(r); err != nil {
			t.Error(err)
		}
		r.Close()
	}
	var want []string
	for p := range ids {
		want = append(want, p)
	}
	slices.Sort(got)
	slices.Sort(want)
	if d := cmp.Diff(want, got); d != "" {
		t.Error(d)
	}
	for file, err := range f.Files(context.Background()) {
		check(t, err)
		if ids[file.Entry.Path] != file.ID {
			t.Errorf("%q has the id %q, want %q", file.Entry.Path, file.ID, ids[file.Entry.Path])
		}
	}
	notes, err := f.Notes(context.Background())
	check(t, err)
	n := map[cloud.About]int{}
	for _, x := range notes {
		n[x.About]++
		if strings.ContainsAny(x.Text, "\a\n\x00") {
			t.Errorf("%q is not escaped", x.Text)
		}
	}
	if n[cloud.SameName] != 2 || n[cloud.OddName] != 6 {
		t.Errorf("notes %v", n)
	}
}

// TestPathStaysWithTheElder: a second upload of a name doesn't take its place.
func TestPathStaysWithTheElder(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	first := a.AddFile(a.Masters, "a.wav", []byte("first"))
	f := a.Store.Set("masters", nil)
	before, err := replicatest.All(t, f)
	check(t, err)
	second := a.AddFile(a.Masters, "a.wav", []byte("cut"))
	a.Write(first, []byte("edited"))
	after, err := replicatest.All(t, f)
	check(t, err)
	if len(before) != 1 || len(after) != 2 || after[0].Path != "a.wav" || after[0].Size != 6 || after[1].Path != "a.wav [id:"+second+"]" {
		t.Errorf("before %v, after %v", before, after)
	}
}

func TestLitterMarkersAndTheBin(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		a := cloudtest.NewArchive(t, shared, nil)
		a.Put(a.Masters, ".firmus-store.vault", []byte("a marker of a disk"))
		a.Put(a.Masters, ".firmus-ledger/2026-03.jsonl", []byte("{}"))
		a.Put(a.Masters, "QV-0107/.firmus-new-1", []byte("x"))
		a.Put(a.Masters, "Thumbs.db", []byte("x"))
		a.Put(a.Masters, "QV-0107/peaks/a.pk", []byte("x"))
		f := a.Store.Set("masters", func(p string, isDir bool) bool {
			return path.Base(p) == "Thumbs.db" || isDir && path.Base(p) == "peaks"
		})
		id, err := f.Identify(context.Background())
		check(t, err)
		if !id.Marked() || id.Set != "masters" || id.Holdings != "" || id.Writable {
			t.Errorf("%+v", id)
		}
		if id.Empty { // a folder that may hold something
			t.Error("a set with a folder is empty")
		}
		a.Put(a.Masters, "QV-0107/a.wav", []byte("1"))
		binned := a.Put(a.Masters, "QV-0107/b.wav", []byte("2"))
		a.Put(a.Masters, "QV-0108/c.wav", []byte("3"))
		a.Bin(binned, true)
		a.Bin(a.Find(a.Masters, "QV-0108"), true)
		all, err := replicatest.All(t, f)
		check(t, err)
		got := map[string]fixity.Type{}
		for _, e := range all {
			got[e.Path] = e.Type
		}
		want := map[string]fixity.Type{"QV-0107/a.wav": fixity.File, "QV-0107/peaks": fixity.LeftOut, "Thumbs.db": fixity.LeftOut}
		if d := cmp.Diff(want, got); d != "" {
			t.Error(d)
		}
		notes, err := f.Notes(context.Background())
		check(t, err)
		var bin []string
		for _, n := range notes {
			if n.About == cloud.Binned {
				bin = append(bin, n.Text)
			}
		}
		// The service says since when only in shared drives.
		says := strings.Contains(strings.Join(bin, " "), "since 2 Mar 2026")
		if len(bin) != 2 || says != shared {
			t.Errorf("in the bin: %q", bin)
		}
		until := "deletes what has lain there for 30 days"
		if shared {
			until = "is deleted on 1 Apr 2026" // thirty days after 2 March
		}
		if !strings.Contains(bin[0], until) {
			t.Errorf("%q: it isn't said until when it can be had back", bin[0])
		}
	})
}

func TestEmptySet(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.Put(a.Masters, ".firmus-store.vault", nil)
	a.Put(a.Masters, "Thumbs.db", nil)
	f := a.Store.Set("masters", func(p string, _ bool) bool { return p == "Thumbs.db" })
	id, err := f.Identify(context.Background())
	if err != nil || !id.Empty {
		t.Errorf("%+v, %v", id, err)
	}
	if n := a.Count(""); n != 3 {
		t.Errorf("%d calls", n)
	}
}

// TestWrongFolder: each thing that can be wrong with the folder is said.
func TestWrongFolder(t *testing.T) {
	for name, c := range map[string]struct {
		spoil func(a *cloudtest.Archive) (folder string)
		want  string
	}{
		"of a file":       {func(a *cloudtest.Archive) string { return a.AddFile(a.Folder, "x.wav", nil) }, `is no folder but a file named "x.wav"`},
		"in the bin":      {func(a *cloudtest.Archive) string { a.Bin(a.Folder, true); return a.Folder }, "lies in the bin"},
		"of nothing":      {func(a *cloudtest.Archive) string { return "1nothing" }, "this account may not read it, or there is no such folder"},
		"not shared":      {func(a *cloudtest.Archive) string { a.Hide(a.Folder, true); return a.Folder }, "not shared with this account"},
		"closed":          {func(a *cloudtest.Archive) string { a.CloseFolder(a.Folder); return a.Folder }, "is not shown to this account"},
		"without the set": {func(a *cloudtest.Archive) string { a.Rename(a.Masters, "Masters"); return a.Folder }, `no sub-folder named "masters"`},
		"two of the set":  {func(a *cloudtest.Archive) string { a.AddFolder(a.Folder, "masters"); return a.Folder }, `2 sub-folders named "masters"`},
		"set in the bin":  {func(a *cloudtest.Archive) string { a.Bin(a.Masters, true); return a.Folder }, `no sub-folder named "masters"`},
		"set is a file": {func(a *cloudtest.Archive) string {
			a.Delete(a.Masters)
			a.AddFile(a.Folder, "masters", nil)
			return a.Folder
		}, `"masters" in the folder "archive" is no folder`},
	} {
		t.Run(name, func(t *testing.T) {
			a := cloudtest.NewArchive(t, true, nil)
			s, err := cloud.New(cloudtest.Drive(t, a.Server), cloud.Options{Folder: c.spoil(a), Now: a.Clock.Now, Sleep: a.Clock.Sleep})
			check(t, err)
			f := s.Set("masters", nil)
			ctx := context.Background()
			_, identify := f.Identify(ctx)
			_, shards := f.Shards(ctx)
			_, stat := f.Stat(ctx, "a.wav")
			_, open := f.Open(ctx, fixity.Entry{Path: "a.wav"}, 0)
			for op, err := range map[string]error{"identify": identify, "shards": shards, "stat": stat, "open": open} {
				if !errors.Is(err, fixity.ErrAway) || errors.Is(err, fixity.ErrVanished) || !strings.Contains(err.Error(), c.want) {
					t.Errorf("%s: %v, want away and %q", op, err, c.want)
				}
			}
			problems, err := s.Check(ctx, "masters", "access")
			check(t, err)
			if len(problems) == 0 || !problems[0].Grave || !strings.Contains(problems[0].Text, c.want) || problems[0].Do == "" {
				t.Errorf("check: %+v, want %q", problems, c.want)
			}
		})
	}
}

func TestCheckOfAGoodStore(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	got, err := a.Store.Check(context.Background(), "masters", "access")
	if err != nil || len(got) != 0 {
		t.Errorf("%+v, %v", got, err)
	}
	a = cloudtest.NewArchive(t, false, nil) // a person's own drive ends with the account
	got, err = a.Store.Check(context.Background(), "masters", "access")
	if err != nil || len(got) != 1 || got[0].Grave || !strings.Contains(got[0].Text, "archivist@quillmere.example") {
		t.Errorf("%+v, %v", got, err)
	}
}

// TestFolderMoved: a folder is told by its id, wherever it lies.
func TestFolderMoved(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.Put(a.Masters, "a.wav", []byte("a"))
	f := a.Store.Set("masters", nil)
	before, err := f.Identify(context.Background())
	check(t, err)
	a.Rename(a.Folder, "another name")
	a.Move(a.Folder, a.AddFolder(a.Parent(a.Folder), "deeper"))
	after, err := f.Identify(context.Background())
	if err != nil || before != after {
		t.Errorf("before %+v, after %+v, %v", before, after, err)
	}
	if got, err := paths(t, f); err != nil || len(got) != 1 {
		t.Error(got, err)
	}
	if err := f.Adopt(context.Background(), before); err != nil {
		t.Error(err)
	}
	before.Store = "another"
	is(t, f.Adopt(context.Background(), before), fixity.ErrRefused)
	is(t, f.TakeOver(context.Background(), before), fixity.ErrRefused)
	is(t, f.Replace(context.Background(), "a.wav", nil), fixity.ErrRefused)
}

func TestOwnersAreTold(t *testing.T) {
	both(t, func(t *testing.T, shared bool) {
		a := cloudtest.NewArchive(t, shared, nil)
		for i := range 3 {
			a.Put(a.Masters, fmt.Sprintf("QV-0107/%d.wav", i), []byte{byte(i)})
		}
		a.AddDocument(a.Masters, "the register")
		if !shared {
			a.Give(a.Find(a.Masters, "QV-0107/1.wav"), "e.tansy@mail.example")
		}
		f := a.Store.Set("masters", nil)
		n := 0
		for file, err := range f.Files(context.Background()) {
			check(t, err)
			n++
			if (file.Owner == "") != shared || file.ID == "" || file.Version == "" {
				t.Errorf("%+v", file)
			}
		}
		notes, err := f.Notes(context.Background())
		check(t, err)
		var got []string
		for _, x := range notes {
			got = append(got, fmt.Sprint(x.About, " ", x.Count, " ", x.Owner))
		}
		want := []string{"account 1 e.tansy@mail.example", "no bytes 1 "}
		owner := "archivist@quillmere.example"
		if shared {
			want, owner = want[1:], ""
		}
		if is, err := f.Owner(context.Background()); err != nil || is != owner {
			t.Errorf("the folder belongs to %q, %v", is, err)
		}
		if d := cmp.Diff(want, got); d != "" || n != 3 {
			t.Errorf("%d files; %s", n, d)
		}
	})
}

func TestReadFile(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	a.Put(a.Masters, "QV-0107/manifest-sha256.txt", []byte("digest  a.wav\n"))
	f := a.Store.Set("masters", nil)
	b, err := f.ReadFile(context.Background(), "QV-0107/manifest-sha256.txt", 100)
	if err != nil || string(b) != "digest  a.wav\n" {
		t.Errorf("%q, %v", b, err)
	}
	_, err = f.ReadFile(context.Background(), "QV-0107/manifest-sha256.txt", 5)
	is(t, err, fixity.ErrRefused)
	_, err = f.ReadFile(context.Background(), "QV-0107/none", 5)
	is(t, err, fixity.ErrVanished)
	_, err = f.ReadFile(context.Background(), "../masters", 5)
	if err == nil {
		t.Error("a path that leads out was read")
	}
}

func TestNewWantsWhatItNeeds(t *testing.T) {
	a := cloudtest.NewArchive(t, true, nil)
	d := cloudtest.Drive(t, a.Server)
	for name, o := range map[string]cloud.Options{"no folder": {Now: a.Clock.Now}, "no clock": {Folder: "x"}} {
		if _, err := cloud.New(d, o); err == nil {
			t.Errorf("%s: made", name)
		}
	}
	if _, err := cloud.New(nil, cloud.Options{Folder: "x", Now: a.Clock.Now}); err == nil {
		t.Error("no service: made")
	}
}
