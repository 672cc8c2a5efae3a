package main

import (
	"bytes"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/testdata"
)

// What a cloud lacks, or holds damaged, is laid ready to upload with a list, and what is
// uploaded so is intact. From the cloud a drive is put right.
func TestRecoverInTheCloudAndFromIt(t *testing.T) {
	t.Parallel()
	h := newCloudHouse(t)
	h.server.Write(h.ids["QV-0107"], []byte("somebody else's"))
	h.server.Bin(h.ids["QV-0108"], true)
	h.run(1, "audit", "cloud")
	ready := filepath.Join(h.dir, "to-upload")
	out, _ := h.run(1, "recover", "--store", "cloud")
	if !strings.Contains(out, "--to-upload DIR") {
		t.Errorf("without a folder: %s", out)
	}
	h.run(2, "recover", "--store", "cloud", "--to-upload", filepath.Join(h.dir, "studio", "new"))
	h.run(0, "recover", "--store", "cloud", "--to-upload", ready, "--dry-run")
	if _, err := os.Stat(ready); !os.IsNotExist(err) {
		t.Errorf("a dry run made the folder: %v", err)
	}
	out, _ = h.run(3, "recover", "--store", "cloud", "--to-upload", ready)
	if !strings.Contains(out, "2 files are laid ready to upload") {
		t.Errorf("%s", out)
	}
	list, err := os.ReadFile(filepath.Join(ready, "what-to-upload.txt"))
	if err != nil || strings.Count(string(list), `choose "replace"`) != 1 || strings.Count(string(list), "add it to that folder") != 1 {
		t.Errorf("%s, %v", list, err)
	}
	for i, item := range []string{"QV-0107", "QV-0108"} {
		data, err := os.ReadFile(filepath.Join(ready, "cloud", "masters", item, item+"_A.wav"))
		if err != nil || !bytes.Equal(data, testdata.Wave(item, 22*(5000+i))) {
			t.Fatalf("%s: %d bytes, %v", item, len(data), err)
		}
		if item == "QV-0107" {
			h.server.Write(h.ids[item], data)
		} else {
			h.server.Put(h.masters, item+"/"+item+"_A.wav", data)
		}
	}
	h.run(2, "recover", "--store", "cloud", "--to-upload", ready) // it isn't empty
	if a := h.audits(0, "cloud", "--full")["cloud"]; len(found(a)) != 0 {
		t.Errorf("after the upload: %v", found(a))
	}

	at := filepath.Join(h.dir, "studio", "QV-0109", "QV-0109_A.wav")
	if err := os.Truncate(at, 1000); err != nil {
		t.Fatal(err)
	}
	h.run(1, "audit", "studio")
	out, _ = h.run(0, "recover", "--store", "studio", "--reason", "cut off")
	data, err := os.ReadFile(at)
	if err != nil || !bytes.Equal(data, testdata.Wave("QV-0109", 22*5002)) || !strings.Contains(out, "from  cloud: ") {
		t.Errorf("%d bytes, %v: %s", len(data), err, out)
	}
}
