package drive_test

import (
	"encoding/json"
	"strings"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/drive"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest/disco"

	"github.com/google/go-cmp/cmp"
	api "google.golang.org/api/drive/v3"
)

// full are things with every property filled in that the document has and that
// could matter, one for each kind.
var full = map[string]string{
	"file": `{"kind":"drive#file","id":"1a","name":"a.wav","mimeType":"audio/x-wav","parents":["1p"],"driveId":"0D","size":"5",
		"md5Checksum":"900150983cd24fb0d6963f7d28e17f72","sha1Checksum":"a9993e364706816aba3e25717850c26c9cd0d89d",
		"sha256Checksum":"ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad","headRevisionId":"0Rev","version":"9",
		"createdTime":"2026-03-01T08:00:00.000Z","modifiedTime":"2026-03-02T09:00:00.500Z","trashed":true,"explicitlyTrashed":true,
		"trashedTime":"2026-03-03T10:00:00.000Z","owners":[{"kind":"drive#user","emailAddress":"a@quillmere.example","displayName":"A"}],
		"permissionIds":["7","anyoneWithLink"],"capabilities":{"canDownload":false,"canListChildren":false},"originalFilename":"x","quotaBytesUsed":"5"}`,
	"md5 only": `{"id":"1a","name":"a.wav","mimeType":"audio/x-wav","size":"3","md5Checksum":"900150983CD24FB0D6963F7D28E17F72","headRevisionId":"0Rev","capabilities":{"canDownload":true}}`,
	"folder":   `{"id":"1f","name":"QV-0107","mimeType":"application/vnd.google-apps.folder","parents":["1p"],"permissionIds":["7"],"capabilities":{"canListChildren":true},"owners":[{"displayName":"no address"}]}`,
	"shortcut": `{"id":"1s","name":"s","mimeType":"application/vnd.google-apps.shortcut","shortcutDetails":{"targetId":"1a"},"size":"7"}`,
	"document": `{"id":"1d","name":"d","mimeType":"application/vnd.google-apps.spreadsheet","size":"1024"}`,
}

func decode(t *testing.T, text string) cloud.Item {
	t.Helper()
	f := &api.File{}
	if err := json.Unmarshal([]byte(text), f); err != nil {
		t.Fatal(err)
	}
	it, err := drive.Item(f)
	if err != nil {
		t.Fatal(err)
	}
	return it
}

func TestItem(t *testing.T) {
	at := func(day, hour int, ms int) time.Time {
		return time.Date(2026, 3, day, hour, 0, 0, ms*1e6, time.UTC)
	}
	want := map[string]cloud.Item{
		"file": {ID: "1a", Parent: "1p", Drive: "0D", Name: "a.wav", Kind: cloud.Blob, Size: 5,
			Sum:     fixity.Digest{Algorithm: fixity.SHA256, Sum: "ba7816bf8f01cfea414140de5dae2223b00361a396177a9cb410ff61f20015ad"},
			Version: "0Rev", Created: at(1, 8, 0), ModTime: at(2, 9, 500), Owner: "a@quillmere.example", InBin: true, Binned: true,
			BinAt: at(3, 10, 0), GoneAt: time.Date(2026, 4, 2, 10, 0, 0, 0, time.UTC), BinDays: 30, Public: true, NoBytes: true},
		"md5 only": {ID: "1a", Name: "a.wav", Size: 3, Sum: fixity.Digest{Algorithm: fixity.MD5, Sum: "900150983cd24fb0d6963f7d28e17f72"}, Version: "0Rev"},
		"folder":   {ID: "1f", Name: "QV-0107", Parent: "1p", Kind: cloud.Dir, Owner: "unknown"},
		"shortcut": {ID: "1s", Name: "s", Kind: cloud.Shortcut},
		"document": {ID: "1d", Name: "d", Kind: cloud.Native},
	}
	for name, text := range full {
		if d := cmp.Diff(want[name], decode(t, text)); d != "" {
			t.Errorf("%s: %s", name, d)
		}
	}
}

// TestEachFieldThatIsUsedIsAskedFor, and none besides: what isn't asked for reads as
// zero, and nobody would notice.
func TestEachFieldThatIsUsedIsAskedFor(t *testing.T) {
	mask, err := disco.ParseMask(drive.FileFields)
	if err != nil {
		t.Fatal(err)
	}
	d := cloudtest.Document(t)
	if bad := d.Mask(mask, &disco.Schema{Ref: "File"}); len(bad) > 0 {
		t.Fatal(bad)
	}
	masked := func(text string, m disco.Mask) string {
		var v any
		if err := json.Unmarshal([]byte(text), &v); err != nil {
			t.Fatal(err)
		}
		b, err := json.Marshal(m.Apply(v))
		if err != nil {
			t.Fatal(err)
		}
		return string(b)
	}
	for name, text := range full {
		if diff := cmp.Diff(decode(t, text), decode(t, masked(text, mask))); diff != "" {
			t.Errorf("%s: a field is used and not asked for: %s", name, diff)
		}
	}
	for _, field := range strings.Split("name,mimeType,parents,driveId,size,md5Checksum,sha256Checksum,headRevisionId,createdTime,modifiedTime,trashed,explicitlyTrashed,trashedTime,owners,permissionIds,capabilities", ",") {
		less, err := disco.ParseMask(drive.FileFields)
		if err != nil {
			t.Fatal(err)
		}
		if _, ok := less[field]; !ok {
			t.Errorf("%s is not asked for", field)
		}
		delete(less, field)
		same := true
		for _, text := range full {
			same = same && decode(t, text) == decode(t, masked(text, less))
		}
		if same {
			t.Errorf("%s is asked for and not used", field)
		}
	}
	if len(mask) != 17 {
		t.Errorf("%d fields are asked for", len(mask))
	}
}

// TestAnswersThatCanNotBeRight are errors, not items.
func TestAnswersThatCanNotBeRight(t *testing.T) {
	for name, f := range map[string]*api.File{
		"no id":         {Name: "a"},
		"a time":        {Id: "1", ModifiedTime: "yesterday"},
		"a size":        {Id: "1", Size: -1},
		"a short sum":   {Id: "1", Md5Checksum: "900150983cd24fb0"},
		"a sum of text": {Id: "1", Sha256Checksum: strings.Repeat("x", 64)},
	} {
		if it, err := drive.Item(f); err == nil {
			t.Errorf("%s: %+v", name, it)
		}
	}
}

func TestQuote(t *testing.T) {
	if got, want := drive.Quote(`it's \ here`), `'it\'s \\ here'`; got != want {
		t.Errorf("%s, want %s", got, want)
	}
}
