package drivetest_test

import (
	"encoding/json"
	"io"
	"net/http"
	"net/url"
	"strings"
	"testing"

	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/drivetest"
)

// ask is the status and the body of a request.
func ask(t *testing.T, s *drivetest.Server, path string, q url.Values) (int, map[string]any) {
	t.Helper()
	res, err := http.Get(s.Endpoint() + path + "?" + q.Encode())
	if err != nil {
		t.Fatal(err)
	}
	defer res.Body.Close()
	b, err := io.ReadAll(res.Body)
	if err != nil {
		t.Fatal(err)
	}
	var v map[string]any
	if err := json.Unmarshal(b, &v); err != nil {
		t.Fatalf("%v in %q", err, b)
	}
	return res.StatusCode, v
}

// TestQuestionsThatAreRefused: nothing passes because it was ignored.
func TestQuestionsThatAreRefused(t *testing.T) {
	s, err := drivetest.Start(drivetest.Options{}) // without a document: it would complain too
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	drive := s.AddDrive("Survey")
	file := s.AddFile(drive, "a.wav", []byte("a"))
	for name, c := range map[string]struct {
		path  string
		query string
		want  int
	}{
		"a term that isn't known":    {"files", "q=name+%3D+'a'", 400},
		"a string that doesn't end":  {"files", "q='x+in+parents", 400},
		"an escape that isn't one":   {"files", `q='a\n'+in+parents`, 400},
		"a bracket too few":          {"files", "q=('a'+in+parents", 400},
		"a bracket too many":         {"files", "q='a'+in+parents)", 400},
		"an order":                   {"files", "orderBy=name", 400},
		"a drive without its flags":  {"files", "corpora=drive&driveId=" + drive, 400},
		"the flags without a drive":  {"files", "corpora=drive&includeItemsFromAllDrives=true&supportsAllDrives=true", 400},
		"half of the flags":          {"files", "includeItemsFromAllDrives=true", 400},
		"a drive that isn't there":   {"files", "corpora=drive&includeItemsFromAllDrives=true&supportsAllDrives=true&driveId=0none", 404},
		"a token that isn't one":     {"files", "pageToken=x", 400},
		"a field that isn't one":     {"files", "fields=files(", 400},
		"about without fields":       {"about", "", 400},
		"a file without its flag":    {"files/" + file, "", 404},
		"changes from a bad token":   {"changes", "pageToken=x", 400},
		"the log of no drive":        {"changes/startPageToken", "driveId=0none", 404},
		"a method that isn't spoken": {"files/" + file + "/permissions", "", 404},
		"bytes of a folder":          {"files/" + drivetest.Root, "alt=media", 403},
	} {
		q, err := url.ParseQuery(c.query)
		if err != nil {
			t.Fatal(err)
		}
		if got, v := ask(t, s, c.path, q); got != c.want || v["error"] == nil {
			t.Errorf("%s: %d, %v; want %d", name, got, v, c.want)
		}
	}
	res, err := http.Post(s.Endpoint()+"files", "application/json", strings.NewReader("{}"))
	if err != nil || res.StatusCode != 404 {
		t.Errorf("a thing was made: %v, %v", res, err)
	}
}

// TestDefaultFields: without "fields" hardly anything is told.
func TestDefaultFields(t *testing.T) {
	s := cloudtest.Start(t)
	id := s.AddFile(drivetest.Root, "a.wav", []byte("a"))
	s.Bin(id, true)
	_, v := ask(t, s, "files/"+id, nil)
	if v["name"] != "a.wav" || v["trashed"] != nil || v["md5Checksum"] != nil {
		t.Errorf("%v", v)
	}
	_, v = ask(t, s, "files/"+id, url.Values{"fields": {"trashed,md5Checksum"}})
	if len(v) != 2 || v["trashed"] != true {
		t.Errorf("%v", v)
	}
}

// TestDeparturesAreSeen: a client or a server that departs from the document is
// told of.
func TestDeparturesAreSeen(t *testing.T) {
	s, err := drivetest.Start(drivetest.Options{Document: cloudtest.Document(t)})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	id := s.AddFile(drivetest.Root, "a.wav", []byte("a"))
	ask(t, s, "files/"+id, url.Values{"fields": {"id"}})
	if v := s.Violations(); len(v) != 0 {
		t.Fatalf("%q", v)
	}
	ask(t, s, "files", url.Values{"pageSize": {"5000"}})
	s.Lie(id, map[string]any{"size": 7})
	ask(t, s, "files/"+id, url.Values{"fields": {"size"}})
	v := s.Violations()
	if len(v) != 2 || !strings.Contains(v[0], "above maximum") || !strings.Contains(v[1], "want string") {
		t.Errorf("%q", v)
	}
}

// TestListensHereOnly: a test server is no one else's.
func TestListensHereOnly(t *testing.T) {
	if s, err := drivetest.Start(drivetest.Options{Address: "0.0.0.0:0"}); err == nil {
		s.Close()
		t.Error("it listens to everyone")
	}
}

func TestPages(t *testing.T) {
	s := cloudtest.Start(t)
	for _, name := range []string{"a", "b", "c", "d", "e"} {
		s.AddFile(drivetest.Root, name, nil)
	}
	q := url.Values{"pageSize": {"2"}, "q": {"'root' in parents and trashed = false"}}
	var got []string
	for {
		_, v := ask(t, s, "files", q)
		for _, f := range v["files"].([]any) {
			got = append(got, f.(map[string]any)["name"].(string))
		}
		next, ok := v["nextPageToken"].(string)
		if !ok {
			break
		}
		q.Set("pageToken", next)
		other := url.Values{"pageToken": {next}, "q": {"'x' in parents"}}
		if status, _ := ask(t, s, "files", other); status != 400 {
			t.Error("a token of another query was taken")
		}
	}
	if strings.Join(got, "") != "abcde" {
		t.Errorf("%q", got)
	}
}
