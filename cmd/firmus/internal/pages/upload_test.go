package pages_test

import (
	"bytes"
	"fmt"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/fixity"
	"firmus/replicas/testing/drivetest"
	"firmus/testdata"
)

// What a cloud lacks is laid ready by a form, in a new folder of one that may be chosen.
func TestLayOutForACloud(t *testing.T) {
	server, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	t.Cleanup(server.Close)
	folder := server.AddFolder(drivetest.Root, "Quillmere")
	masters := server.AddFolder(folder, "masters")
	stick := t.TempDir()
	w := newWorld(t, worldConfig+fmt.Sprintf("[store.cloud]\nkind = \"cloud\"\nservice = \"drive\"\nfolder = %q\nsets = [\"masters\"]\nendpoint = %q\n[work]\nsources = [%q]\n", folder, server.Endpoint(), stick))
	ids := map[string]string{}
	for _, item := range []string{"QV-0107", "QV-0108"} {
		w.put("masters/"+item+"/"+item+"_A.wav", item, "studio", "vault")
		ids[item] = server.AddFile(server.AddFolder(masters, item), item+"_A.wav", testdata.Wave(item, 200_000))
	}
	w.intake()
	server.Bin(ids["QV-0107"], true)
	server.Write(ids["QV-0108"], []byte("somebody else's"))
	w.audit()
	var id int64
	for _, f := range w.open() {
		if f.Store == "cloud" && strings.HasPrefix(f.Path, "QV-0107/") {
			id = f.ID
		}
	}
	if id == 0 {
		t.Fatalf("the cloud's copy isn't missed: %+v", w.open())
	}
	b, viewer := w.person("Ada Wren", fixity.Technician), w.person("Tom Reed", fixity.Viewer)
	if r := b.get("/findings/" + itoa(id)); !r.says("Lay it ready to upload.") || r.says("--to-upload DIR.") {
		t.Errorf("the finding's page has no form: %s", r.text)
	}
	if r := viewer.get("/findings/" + itoa(id)); r.says("Lay it ready") {
		t.Error("who only looks is offered it")
	}
	if r := b.post("/stores/cloud/lay-out", "folder", w.dir); r.code != 403 {
		t.Errorf("a folder that may not be chosen: %d", r.code)
	}
	if r := b.post("/stores/vault/lay-out", "folder", stick); r.code != 422 {
		t.Errorf("for a drive: %d", r.code)
	}
	laid := func(item string) []byte {
		found, _ := filepath.Glob(filepath.Join(stick, "to-upload-*", "cloud", "masters", item, item+"_A.wav"))
		if len(found) != 1 {
			return nil
		}
		data, err := os.ReadFile(found[0])
		if err != nil {
			t.Fatal(err)
		}
		return data
	}
	if r := b.follow(b.post("/findings/"+itoa(id)+"/lay-out", "saw", b.saw(id), "folder", stick)); !r.says("1 file is laid ready in") || !r.says("add it to that folder") {
		t.Errorf("the finding's: %d %s", r.code, r.text)
	}
	if !bytes.Equal(laid("QV-0107"), testdata.Wave("QV-0107", 200_000)) || laid("QV-0108") != nil {
		t.Error("something else was laid ready")
	}
	for _, d := range must(filepath.Glob(filepath.Join(stick, "to-upload-*"))) {
		if err := os.RemoveAll(d); err != nil {
			t.Fatal(err)
		}
	}
	if r := b.get("/stores/cloud"); !r.says("Lay it ready") {
		t.Errorf("the store's page has no form: %s", r.text)
	}
	if r := b.follow(b.post("/stores/cloud/lay-out", "folder", stick)); !r.says("2 files are laid ready in") {
		t.Errorf("the store's: %d %s", r.code, r.text)
	}
	if !bytes.Equal(laid("QV-0107"), testdata.Wave("QV-0107", 200_000)) || !bytes.Equal(laid("QV-0108"), testdata.Wave("QV-0108", 200_000)) {
		t.Error("the store's files are not what the versions are")
	}
	list := must(filepath.Glob(filepath.Join(stick, "to-upload-*", "what-to-upload.txt")))
	if len(list) != 1 {
		t.Fatalf("lists: %v", list)
	}
	if text, err := os.ReadFile(list[0]); err != nil || strings.Count(string(text), `choose "replace"`) != 1 || strings.Count(string(text), "add it to that folder") != 1 {
		t.Errorf("%s, %v", text, err)
	}
}

func must(paths []string, err error) []string {
	if err != nil {
		panic(err)
	}
	return paths
}
