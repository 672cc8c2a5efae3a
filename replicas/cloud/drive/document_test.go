package drive_test

import (
	"bytes"
	"errors"
	"testing"
	"time"

	"firmus/fixity"
	"firmus/replicas/cloud"
	"firmus/replicas/cloud/drive"
	"firmus/replicas/testing/drivetest"
)

// A spreadsheet of the service's own is exported; an uploaded one is read as it is.
func TestDocument(t *testing.T) {
	t.Parallel()
	s, err := drivetest.Start(drivetest.Options{})
	if err != nil {
		t.Fatal(err)
	}
	defer s.Close()
	service, err := drive.Open(t.Context(), drive.Options{Endpoint: s.Endpoint(), Now: time.Now})
	if err != nil {
		t.Fatal(err)
	}
	folder := s.AddFolder(drivetest.Root, "Quillmere")
	store, err := cloud.New(service, cloud.Options{Folder: folder, Now: time.Now, Retry: cloud.Retry{Attempts: 2, Base: time.Millisecond}})
	if err != nil {
		t.Fatal(err)
	}
	const most = 11 << 20
	text := []byte("PK\x03\x04 a workbook")
	sheet, file := s.AddSheet(drivetest.Root, "Register", text), s.AddFile(drivetest.Root, "Register.xlsx", text)
	for _, id := range []string{sheet, file} {
		name, got, err := store.Document(t.Context(), id, cloud.XLSX, most)
		if err != nil || !bytes.Equal(got, text) || name == "" {
			t.Errorf("%s: %q, %q, %v", id, name, got, err)
		}
	}
	if n := s.Count("drive.files.export#media"); n != 1 {
		t.Errorf("%d exports", n)
	}

	s.Inject(drivetest.Fault{Method: "drive.files.export#media", File: sheet, Hook: func() { s.EditSheet(sheet, []byte("PK\x03\x04 b")) }})
	if _, _, err := store.Document(t.Context(), sheet, cloud.XLSX, most); !errors.Is(err, cloud.ErrChanged) {
		t.Errorf("changed meanwhile: %v", err)
	}
	large := s.AddSheet(drivetest.Root, "Large", make([]byte, 10<<20+1))
	var e *cloud.Error
	if _, _, err := store.Document(t.Context(), large, cloud.XLSX, most); !errors.As(err, &e) || e.Reason != "exportSizeLimitExceeded" || e.Class != cloud.ThisFile {
		t.Errorf("more than is exported: %v", err)
	}
	if _, _, err := store.Document(t.Context(), file, cloud.XLSX, 3); !errors.Is(err, cloud.ErrTooLong) {
		t.Errorf("longer than is taken: %v", err)
	}
	if _, _, err := store.Document(t.Context(), folder, cloud.XLSX, most); !errors.Is(err, fixity.ErrRefused) {
		t.Errorf("a folder: %v", err)
	}
	if _, _, err := store.Document(t.Context(), "nowhere", cloud.XLSX, most); !errors.As(err, &e) || e.Class != cloud.NotVisible {
		t.Errorf("not there: %v", err)
	}
}
