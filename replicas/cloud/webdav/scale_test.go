package webdav_test

import (
	"context"
	"fmt"
	"os"
	"strings"
	"testing"
	"time"

	"firmus/replicas/cloud"
	"firmus/replicas/cloud/webdav"
	"firmus/replicas/testing/cloudtest"

	dav "golang.org/x/net/webdav"
)

func TestMain(m *testing.M) {
	if os.Getenv(cloudtest.LargeVar) == "" {
		os.Exit(m.Run())
	}
	ctx, fs := context.Background(), dav.NewMemFS()
	fs.Mkdir(ctx, "/masters", 0o777)
	for i := range cloudtest.LargeFiles {
		path := "/masters/" + cloudtest.LargePath(i)
		fs.Mkdir(ctx, path[:strings.LastIndexByte(path, '/')], 0o777)
		f, err := fs.OpenFile(ctx, path, os.O_CREATE|os.O_WRONLY, 0o666)
		if err != nil {
			fmt.Fprintln(os.Stderr, err)
			os.Exit(1)
		}
		fmt.Fprint(f, i)
		f.Close()
	}
	cloudtest.ServeLarge(&dav.Handler{FileSystem: fs, LockSystem: dav.NewMemLS()})
}

// TestTwentyThousandFiles: one call a folder, and a few besides.
func TestTwentyThousandFiles(t *testing.T) {
	if testing.Short() {
		t.Skip("long")
	}
	url, calls := cloudtest.Large(t)
	s, err := webdav.Open(webdav.Options{Endpoint: url, Now: time.Now})
	must(t, err)
	store, err := cloud.New(s, cloud.Options{Folder: s.Root(), Now: time.Now})
	must(t, err)
	cloudtest.ListLarge(t, store, calls, cloudtest.LargeFolders+6, 64<<20)
}
