package disco_test

import (
	"net/http/httptest"
	"os"
	"path/filepath"
	"strings"
	"testing"

	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest/disco"
)

func TestDocument(t *testing.T) {
	d := cloudtest.Document(t)
	if d.Revision == "" || d.Methods() < 50 || len(d.Schemas) < 40 {
		t.Errorf("revision %q, %d methods, %d schemas", d.Revision, d.Methods(), len(d.Schemas))
	}
	for path, want := range map[string]string{
		"/drive/v3/files/abc":              "drive.files.get",
		"/drive/v3/files/generateIds":      "drive.files.generateIds",
		"/drive/v3/files":                  "drive.files.list",
		"/drive/v3/changes/startPageToken": "drive.changes.getStartPageToken",
	} {
		m, _ := d.Match("GET", path)
		if m == nil || m.ID != want {
			t.Errorf("%s: %v, want %s", path, m, want)
		}
	}
	if _, vars := d.Match("GET", "/drive/v3/files/a%2Fb"); vars["fileId"] != "a/b" {
		t.Errorf("%v", vars)
	}
}

func TestLoadOfWhatIsNoDocument(t *testing.T) {
	for name, text := range map[string]string{"none": "", "empty": "{}", "text": "hello"} {
		p := filepath.Join(t.TempDir(), "x.json")
		if name != "none" {
			if err := os.WriteFile(p, []byte(text), 0o600); err != nil {
				t.Fatal(err)
			}
		}
		if d, err := disco.Load(p); err == nil {
			t.Errorf("%s: %v", name, d)
		}
	}
}

// TestWrongAnswersAreSeen: the checker can fail.
func TestWrongAnswersAreSeen(t *testing.T) {
	d := cloudtest.Document(t)
	m, _ := d.Match("GET", "/drive/v3/files/abc")
	if m == nil {
		t.Fatal("no method")
	}
	for body, want := range map[string]string{
		`{"size":3}`:                             "want string int64",
		`{"size":"3x"}`:                          "not an int64",
		`{"md5checksum":"d41d"}`:                 "not in the document",
		`{"modifiedTime":"2026-01-02 03:04"}`:    "RFC 3339",
		`{"parents":"root"}`:                     "want array",
		`{"parents":[1]}`:                        "want string",
		`{"trashed":"false"}`:                    "want boolean",
		`{"kind":"drive#files"}`:                 "kind is",
		`{"owners":[{"email":"x"}]}`:             "not in the document",
		`{"capabilities":{"canDownload":"yes"}}`: "want boolean",
		`{"imageMediaMetadata":{"width":"7"}}`:   "want integer",
		`[]`:                                     "want object",
		`{`:                                      "not JSON",
	} {
		bad := d.Response(m, []byte(body))
		if len(bad) != 1 || !strings.Contains(bad[0], want) {
			t.Errorf("%s: %q, want %q", body, bad, want)
		}
	}
	if bad := d.Response(m, []byte(`{"kind":"drive#file","size":"3","trashed":false,"parents":["x"],"appProperties":{"a":"b"}}`)); len(bad) > 0 {
		t.Errorf("a right answer: %q", bad)
	}
}

func TestWrongRequestsAreSeen(t *testing.T) {
	d := cloudtest.Document(t)
	for url, want := range map[string]string{
		"/drive/v3/files?pagesize=5":                "unknown query parameter",
		"/drive/v3/files?pageSize=1001":             "above maximum",
		"/drive/v3/files?pageSize=0":                "below minimum",
		"/drive/v3/files?pageSize=many":             "not an integer",
		"/drive/v3/files?supportsAllDrives=yes":     "not a boolean",
		"/drive/v3/files?fields=files(md5checksum)": "no property",
		"/drive/v3/files?fields=files(id":           "missing )",
		"/drive/v3/files?fields=files(id),":         "name expected",
		"/drive/v3/files?fields=files(id))":         "unexpected",
		"/drive/v3/changes":                         "required parameter",
		"/drive/v3/file/abc":                        "no method",
		"/v3/files/abc":                             "no method",
		"/drive/v3/files?alt=media":                 "alt=media not supported",
		"/drive/v3/files?alt=xml":                   "not one of",
		"/drive/v3/files?supportsTeamDrives=true":   "deprecated",
		"/drive/v3/files/a/export?fields=id":        "required parameter",
		"/drive/v3/files?q=a&q=b":                   "given 2 times",
	} {
		_, bad := d.Request(httptest.NewRequest("GET", url, nil))
		if len(bad) != 1 || !strings.Contains(bad[0], want) {
			t.Errorf("%s: %q, want %q", url, bad, want)
		}
	}
	if _, bad := d.Request(httptest.NewRequest("GET", "/drive/v3/files?pageSize=1000&q=x&fields=nextPageToken,files(id,capabilities/canDownload,owners(*))", nil)); len(bad) > 0 {
		t.Errorf("a right request: %q", bad)
	}
}
