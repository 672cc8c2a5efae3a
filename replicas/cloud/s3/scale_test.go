package s3_test

import (
	"fmt"
	"os"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/s3"
	"firmus/replicas/testing/cloudtest"
	"firmus/replicas/testing/s3test"
)

func TestMain(m *testing.M) {
	sum := os.Getenv(cloudtest.LargeVar)
	if sum == "" {
		os.Exit(m.Run())
	}
	s := &s3test.Server{Bucket: "quillmere", Now: time.Now}
	for i := range cloudtest.LargeFiles {
		v := s3test.Version{Data: fmt.Append(nil, i)}
		if i%2 == 0 {
			v.Sum = "crc64nvme"
		}
		s.Put("archive/masters/"+cloudtest.LargePath(i), v)
	}
	cloudtest.ServeLarge(s)
}

// TestTwentyThousandFiles: a page of listing for each 1,000, one HEAD for each file of which
// the listing says that it has a checksum and for one more on each page, and a few besides.
func TestTwentyThousandFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	url, calls := cloudtest.Large(t)
	s, err := s3.Open(s3.Options{Endpoint: url, Bucket: "quillmere", Folder: "archive", Credential: keyFile(t, s3test.Key, "word"), Now: time.Now})
	must(t, err)
	store, err := cloud.New(s, cloud.Options{Folder: s.Root(), Now: time.Now})
	must(t, err)
	cloudtest.ListLarge(t, store, calls, cloudtest.LargeFiles/1000*2+cloudtest.LargeFiles/2+4, 64<<20)
}
